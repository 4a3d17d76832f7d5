"""Whether the bands of a forecast hold as often as they claim, on fleets of known truth put through the store.

A quick version of tests/benchmarks/forecast_study.py, in whose docstring the figures over 200 fleets stand.
"""

import importlib.util
from pathlib import Path

import pytest

from pipelines.models.forecast_scores import summary

STUDY = Path(__file__).parents[1] / "benchmarks" / "forecast_study.py"
FLEETS = range(6)


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("forecast_study", STUDY)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def found(study):
    return summary(study.study(FLEETS), ["summed_over"]).set_index("summed_over")


def test_bands_hold_about_as_often_as_they_claim(found):
    # Six fleets differ in what they draw as a whole, so that all clients together are held to less.
    for words, reach in (
        ("item class at a site", 0.04),
        ("item class of a client", 0.06),
        ("all of a client", 0.16),
    ):
        assert found.loc[words, "inside_80"] == pytest.approx(0.80, abs=reach)
        assert found.loc[words, "inside_95"] == pytest.approx(0.95, abs=reach)


def test_the_forecast_loses_less_than_both_plain_rivals(found):
    assert (found[["loss_to_last_year", "loss_to_last_12"]] < 0.8).all().all()
