"""Published fits of lifetimes known to lie between two looks, and a second road to each."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import approx_fprime, isotonic_regression, minimize
from scipy.stats import CensoredData, weibull_min

from pipelines.models.ageing import fit_weibull, npmle

CHECKS = Path(__file__).parents[1] / "data" / "checks"


def expected_figures(case):
    return json.loads((CHECKS / f"{case}.json").read_text(encoding="utf-8"))["expected"]


@pytest.fixture
def parts():
    return pd.read_csv(CHECKS / "turbine_parts_cracks.csv")


@pytest.fixture(params=["conventional", "germ_free"])
def mice(request):
    animals = pd.read_csv(CHECKS / "mouse_lung_tumours.csv")
    of_group = animals[animals["group"] == request.param]
    return of_group, expected_figures("mouse_lung_tumours")[request.param]


def test_turbine_parts(parts):
    # Nelson (1982), Applied Life Data Analysis, p. 415. R 4.2.2, survival 3.5-3: survreg(Surv(lower, upper, type =
    # "interval2")), 12 digits; survreg stops 1e-7 short. SAS prints 71.6904 and 1.4854 (from memory).
    expected = expected_figures("turbine_parts_cracks")
    fit = fit_weibull(parts["lower_months"], parts["upper_months"], level=0.9, items=parts["parts"])
    weibull, exponential = expected["weibull"], expected["exponential"]
    assert fit.scale == pytest.approx(weibull["scale"], rel=1e-6)
    assert fit.shape == pytest.approx(weibull["shape"], rel=1e-6)
    assert fit.log_scale_error == pytest.approx(weibull["log_scale_se"], rel=1e-6)
    assert fit.log_shape_error == pytest.approx(weibull["log_sigma_se"], rel=1e-6)
    assert fit.log_likelihood == pytest.approx(weibull["loglik"], rel=1e-9)
    assert fit.exponential_rate == pytest.approx(exponential["rate"], rel=1e-6)
    assert fit.exponential_log_likelihood == pytest.approx(exponential["loglik"], rel=1e-9)
    assert f"{fit.scale:.4f} {fit.shape:.4f}" == "71.6904 1.4854"
    assert fit.words == "the data support ageing"


def test_turbine_parts_have_the_shares_counted(parts):
    # With common looks the nonparametric share is the count itself; R 4.2.2 survfit gives the same.
    expected = expected_figures("turbine_parts_cracks")["npmle_share_cracked_by"]
    estimate = npmle(parts["lower_months"], parts["upper_months"], items=parts["parts"])
    seen = estimate.intervals[np.isfinite(estimate.intervals["upper"])]
    assert seen["upper"].tolist() == expected["months"]
    assert (1 - seen["survival"]).tolist() == pytest.approx(expected["share"], abs=1e-7)
    counted = parts["parts"].cumsum()[:-1] / parts["parts"].sum()
    assert (1 - seen["survival"]).tolist() == pytest.approx(counted.tolist(), abs=1e-7)


def test_turbine_parts_by_scipy(parts):
    # scipy's CensoredData and weibull_min.fit: another search on the same likelihood, good to 1e-4.
    single = parts.loc[parts.index.repeat(parts["parts"])]
    is_open = single["upper_months"].isna()
    data = CensoredData(
        interval=single.loc[~is_open, ["lower_months", "upper_months"]].to_numpy(),
        right=single.loc[is_open, "lower_months"].to_numpy(),
    )
    shape, _, scale = weibull_min.fit(data, floc=0)
    fit = fit_weibull(single["lower_months"], single["upper_months"], level=0.9)
    assert [fit.shape, fit.scale] == pytest.approx([shape, scale], rel=1e-4)


def test_mouse_lung_tumours(mice):
    # Hoel & Walburg (1972). R 4.2.2, survival 3.5-3: survreg; it stops 1e-6 short, so its own direct maximum is nearer.
    animals, expected = mice
    fit = fit_weibull(animals["lower_days"], animals["upper_days"], level=0.9)
    weibull, exponential = expected["weibull"], expected["exponential"]
    assert fit.removed == expected["with_tumour"]
    assert [fit.scale, fit.shape] == pytest.approx([weibull["scale"], weibull["shape"]], rel=1e-6)
    assert fit.log_scale_error == pytest.approx(weibull["log_scale_se"], rel=1e-5)
    assert fit.log_shape_error == pytest.approx(weibull["log_sigma_se"], rel=1e-5)
    assert fit.log_likelihood == pytest.approx(weibull["loglik"], rel=1e-9)
    assert fit.exponential_rate == pytest.approx(exponential["rate"], rel=1e-6)
    assert fit.words == "the data do not support ageing"


def share_gone_by_pooling(age, is_gone):
    """The share of items gone by each age, each looked at once: isotonic regression, the second road to `npmle`.

    Ayer, M. et al. (1955). Annals of Mathematical Statistics 26, 641-647 (from memory).
    """
    at_age = pd.DataFrame({"age": age, "items": 1.0, "gone": is_gone}).groupby("age", as_index=False).sum()
    return at_age.assign(
        share=isotonic_regression(at_age["gone"] / at_age["items"], weights=at_age["items"]).x
    )


def test_mouse_lung_tumours_by_isotonic_regression(mice):
    # R 4.2.2 isoreg, twelve digits. The file's last figure for the conventional mice, 0 at day 886, is a slip: see
    # tests/data/checks/README.md.
    animals, expected = mice
    seen = animals["upper_days"].fillna(animals["lower_days"])
    share = share_gone_by_pooling(seen, animals["upper_days"].notna())
    published = expected["npmle_by_pooling"]
    assert share["age"].tolist() == published["look"]
    last = len(share) - (published["share"][-1] == 0)
    assert share["share"].tolist()[:last] == pytest.approx(published["share"][:last], abs=1e-9)
    assert share["share"].is_monotonic_increasing


def test_self_consistency_agrees_with_isotonic_regression(mice):
    animals, _ = mice
    seen = animals["upper_days"].fillna(animals["lower_days"])
    share = share_gone_by_pooling(seen, animals["upper_days"].notna())
    estimate = npmle(animals["lower_days"], animals["upper_days"])
    assert estimate.is_settled
    inner = estimate.intervals[estimate.intervals["upper"] < np.inf]
    at_upper = share.set_index("age")["share"].loc[inner["upper"]]
    # The likelihood is that flat: shares 1e-4 off cost it less than 1e-6.
    assert (1 - inner["survival"]).tolist() == pytest.approx(at_upper.tolist(), abs=5e-4)
    gone = animals["upper_days"].notna().to_numpy()
    own = share.set_index("age")["share"].loc[seen].to_numpy()
    isotonic = np.sum(np.log(np.where(gone, own, 1 - own)))
    assert estimate.log_likelihood == pytest.approx(isotonic, abs=1e-5)


def test_turnbull_of_twelve_intervals():
    # Own self-consistency steps to 1e-13, the convention (lower, upper]; surpyval's Kaplan-Meier variant agrees.
    expected = expected_figures("npmle_small")["all"]
    intervals = pd.read_csv(CHECKS / "npmle_small.csv")
    estimate = npmle(intervals["lower_months"], intervals["upper_months"])
    held = estimate.intervals[estimate.intervals["mass"] > 1e-6]
    assert held["lower"].tolist() == expected["interval_lower"]
    assert held["upper"].tolist()[:-1] == expected["interval_upper"][:-1]
    assert held["mass"].tolist() == pytest.approx(expected["mass"], abs=1e-6)
    assert estimate.log_likelihood == pytest.approx(expected["loglik"], abs=1e-7)
    # Closing intervals at both ends would give 0.5671 at 12 months.
    at_a_year = held.set_index("upper").loc[12, "survival"]
    assert at_a_year == pytest.approx(0.4297, abs=5e-5)


LATE = pd.DataFrame(
    {
        "lower": [0, 2, 3, 4, 6, 6, 8, 1, 5, 8, 3, 9],
        "upper": [3, 5, 6, 9, np.inf, 9, np.inf, 4, 8, 12, 5, np.inf],
        "entered": [0, 1, 3, 2, 5, 4, 0, 0, 3, 6, 0, 1],
    },
    dtype=float,
)


def test_turnbull_with_late_entry_by_brute_force():
    def loss(logits, left, right):
        mass = np.exp(logits - logits.max())
        own = (LATE["lower"].to_numpy()[:, None] <= left) & (right <= LATE["upper"].to_numpy()[:, None])
        view = LATE["entered"].to_numpy()[:, None] <= left
        return -np.sum(np.log((own @ mass) / (view @ mass)))

    # Mass in every cell between neighbouring ends, wherever it likes: none fits better.
    ends = np.unique(LATE.to_numpy())
    left, right = ends[:-1], ends[1:]
    best = min(
        minimize(loss, start, args=(left, right), method="BFGS", options={"gtol": 1e-9}).fun
        for start in np.random.default_rng(1).normal(size=(5, left.size))
    )
    estimate = npmle(LATE["lower"], LATE["upper"], entered=LATE["entered"])
    assert estimate.is_settled
    assert estimate.log_likelihood == pytest.approx(-best, abs=1e-5)


def test_weibull_with_late_entry_by_brute_force():
    def loss(theta):
        log_survival = [-((LATE[column] / np.exp(theta[0])) ** np.exp(theta[1])) for column in LATE]
        at_lower, at_upper, at_entry = (np.exp(part) for part in log_survival)
        return -np.sum(np.log((at_lower - at_upper) / at_entry))

    best = minimize(loss, [2.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-13})
    fit = fit_weibull(LATE["lower"], LATE["upper"], level=0.9, entered=LATE["entered"])
    assert [np.log(fit.scale), np.log(fit.shape)] == pytest.approx(best.x.tolist(), abs=1e-6)
    assert fit.log_likelihood == pytest.approx(-best.fun, abs=1e-9)
    hessian = approx_fprime(best.x, lambda theta: approx_fprime(theta, loss, 1e-5), 1e-4)
    errors = np.sqrt(np.diag(np.linalg.inv(hessian)))
    assert [fit.log_scale_error, fit.log_shape_error] == pytest.approx(errors.tolist(), rel=1e-2)


def test_limits_of_the_shape_cover_as_stated():
    # 400 simulated stocks of 80 items looked at every year, a quarter of them first seen at age 4 (late entry): the
    # standard error of the coverage is 1.5 percentage points.
    held, called_ageing = [], []
    for seed in range(400):
        generator = np.random.default_rng(seed)
        life = 8 * generator.weibull(1.5, 120)
        entered = np.where(generator.random(120) < 0.25, 4.0, 0.0)
        life, entered = life[life > entered], entered[life > entered]
        upper = np.where(life > 9, np.inf, np.ceil(life))
        fit = fit_weibull(np.minimum(np.ceil(life) - 1, 9), upper, level=0.9, entered=entered)
        held.append(fit.shape_lower < 1.5 < fit.shape_upper)
        called_ageing.append(fit.words == "the data support ageing")
    assert 0.86 < np.mean(held) < 0.94
    assert np.mean(called_ageing) > 0.9


def test_a_steady_rate_is_seldom_called_ageing():
    words = []
    for seed in range(400):
        life = 8 * np.random.default_rng(seed).weibull(1.0, 80)
        upper = np.where(life > 9, np.inf, np.ceil(life))
        words.append(fit_weibull(np.minimum(np.ceil(life) - 1, 9), upper, level=0.9).words)
    # A test at 5 % calls one in twenty; binomial(400, 0.05) exceeds 33 once in 500 times.
    assert np.sum(np.array(words) != "the data do not support ageing") <= 33
