"""What a user is told where something is refused."""

from collections.abc import Callable

import pytest

from pipelines.faults import Fault


def fault_of(action: Callable[..., object], *given, kind: type[Fault] = Fault, **named) -> str:
    """The sentence of the fault that an action, called with what is given, comes to."""
    with pytest.raises(kind) as caught:
        action(*given, **named)
    return str(caught.value)
