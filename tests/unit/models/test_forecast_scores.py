import numpy as np
import pandas as pd
import pytest

from pipelines.models.forecast_scores import rival_pinball, scored, summary


def test_a_count_on_the_edge_is_shared_out():
    # 0 to 9, each drawn once in ten: 80 % lie from 1 to 8 exactly, 0 and 9 outside.
    draws = np.repeat(np.arange(10.0), 10)[None]
    inside = [scored(draws, np.array([count]))["inside_80"][0] for count in (0, 1, 8, 9)]
    assert inside == pytest.approx([0, 1, 1, 0])
    # All draws 0: the count that was certain is inside as often as the band claims, not always.
    certain = scored(np.zeros((1, 100)), np.array([0]))
    assert certain[["inside_80", "inside_95"]].iloc[0].tolist() == pytest.approx([0.8, 0.95])
    assert scored(np.zeros((1, 100)), np.array([7]))["inside_95"][0] == 0


def test_forecasts_that_are_right_score_their_level():
    generator = np.random.default_rng(6)
    rate = generator.uniform(0.1, 6, 2000)
    scores = scored(generator.poisson(rate, (1000, 2000)).T, generator.poisson(rate))
    assert scores["inside_80"].mean() == pytest.approx(0.80, abs=0.02)
    assert scores["inside_95"].mean() == pytest.approx(0.95, abs=0.012)


def test_the_loss_is_least_for_the_right_distribution():
    generator = np.random.default_rng(6)
    observed = generator.poisson(5.0, 4000)
    right, wrong = rival_pinball(np.full(4000, 5.0), observed), rival_pinball(np.full(4000, 8.0), observed)
    drawn = scored(np.repeat(generator.poisson(5.0, (1, 2000)), 4000, axis=0), observed)["pinball"]
    assert right.mean() < 0.8 * wrong.mean()
    assert drawn.mean() == pytest.approx(right.mean(), rel=0.02)


def test_a_summary_says_nothing_against_a_rival_that_cannot_lose():
    scores = pd.DataFrame(
        {
            "client": ["a", "a", "b"],
            "inside_80": [1.0, 0.5, 1.0],
            "inside_95": 1.0,
            "expected": [2.0, 4.0, 0.1],
            "observed": [3, 2, 0],
            "pinball": [0.1, 0.2, 0.0],
            "pinball_last_year": [0.3, 0.3, 0.0],
            "pinball_last_12": [0.2, 0.4, 0.1],
        }
    )
    found = summary(scores, ["client"]).set_index("client")
    assert found.loc["a", ["forecasts", "inside_80", "bias"]].tolist() == [2, 0.75, pytest.approx(0.2)]
    assert found.loc["a", ["loss_to_last_year", "loss_to_last_12"]].tolist() == pytest.approx([0.5, 0.5])
    assert found.loc["b", ["bias", "loss_to_last_year"]].isna().all()
