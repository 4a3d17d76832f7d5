"""Reads the families of rigging hardware in data_contracts/gear_families.yaml."""

from dataclasses import dataclass, field
from functools import cache

import pandas as pd
import yaml

from pipelines.faults import RequestFault
from pipelines.shipped import shipped_folder


@dataclass(frozen=True)
class GearFamily:
    """One family of rigging hardware: its kinds, and how reports speak of it; see data_contracts/gear_families.yaml."""

    name: str
    chapter: str
    inspections: str
    bodies: list[str]
    pins: list[str] = field(default_factory=list)
    label_ends_with: str = ""
    says: dict[str, str] = field(default_factory=dict)


@cache
def gear_families() -> dict[str, GearFamily]:
    """Return the families by name, in the order of the file; the first is the one that is meant where none is named."""
    path = shipped_folder("data_contracts") / "gear_families.yaml"
    stated = yaml.safe_load(path.read_text(encoding="utf-8"))
    return {name: GearFamily(name, **entries) for name, entries in stated.items()}


def usual_family() -> GearFamily:
    """Return the family that is meant where none is named.

    >>> usual_family().name
    'shackle'
    """
    return next(iter(gear_families().values()))


def family_called(name: str) -> GearFamily:
    """Return the family of a name, in whatever letters; '' is the usual one.

    Raises RequestFault, with the families there are, for another name.

    >>> family_called("Links and rings").chapter[:4], family_called("").name
    ('26-4', 'shackle')
    """
    if not name:
        return usual_family()
    known = {family.casefold(): family for family in gear_families()}
    if name.strip().casefold() not in known:
        raise RequestFault(
            f'There is no gear family "{name}". Families to be had: {", ".join(gear_families())}.'
        )
    return gear_families()[known[name.strip().casefold()]]


def gear_kinds() -> pd.DataFrame:
    """Return which kinds each family has: gear_family, body and pin, '' where its items have none."""
    rows = [
        (family.name, body, pin)
        for family in gear_families().values()
        for body in family.bodies
        for pin in family.pins or [""]
    ]
    return pd.DataFrame(rows, columns=["gear_family", "body", "pin"])


@cache
def family_of_body() -> dict[str, str]:
    """Return the family of each kind; no kind belongs to two.

    >>> family_of_body()["bow"], family_of_body()["oblong link"]
    ('shackle', 'links and rings')
    """
    return {body: family.name for family in gear_families().values() for body in family.bodies}
