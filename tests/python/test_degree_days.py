"""Degree-days and lure ageing against numpy and scipy, on a real weather series and on random days.

Nothing here uses the closed forms the program uses: the day's curve is drawn and its heat is averaged by quadrature. The
weather is the daily Seattle series (2012-2015) that the package vega_datasets carries.
"""

import itertools

import numpy as np
import pandas as pd
import pytest
from scipy import special
from vega_datasets import data

METHODS = ["average", "sine", "triangle", "double-sine", "double-triangle"]
CUTOFFS = ["horizontal", "intermediate", "vertical"]
TOLERANCE = 1e-3
NODES, WEIGHTS = np.polynomial.legendre.leggauss(24)


def pieces(low, high, method, levels):
    """The times (0 to 1 over half a wave from low up to high) at which the curve crosses a level, with the ends: between
    two of them the heat is smooth, so that few quadrature points give many digits."""
    cuts = [np.zeros_like(low), np.ones_like(low)]
    span = np.where(high > low, high - low, 1.0)
    for level in levels:
        height = np.clip((level - low) / span, 0.0, 1.0)
        cuts.append(np.arccos(1.0 - 2.0 * height) / np.pi if method == "sine" else height)
    return np.sort(np.stack(cuts), axis=0)


def half_wave(low, high, method, cutoff, lower, upper):
    """Mean heat over half a wave between two levels (either may be the higher), by Gauss-Legendre on smooth pieces."""
    low, high = np.minimum(low, high), np.maximum(low, high)
    levels = [lower] if upper is None else [lower, upper]
    cuts = pieces(low, high, method, levels)
    total = np.zeros_like(low)
    for start, end in itertools.pairwise(cuts):
        x = 0.5 * (start + end)[:, None] + 0.5 * (end - start)[:, None] * NODES[None, :]
        rise = 0.5 - 0.5 * np.cos(np.pi * x) if method == "sine" else x
        temperature = low[:, None] + (high - low)[:, None] * rise
        total += 0.5 * (end - start) * (heat(temperature, cutoff, lower, upper) @ WEIGHTS)
    return total


def heat(temperature, cutoff, lower, upper):
    """Rate of development at a temperature, in degrees above the lower threshold."""
    rate = np.maximum(temperature - lower, 0.0)
    if upper is None:
        return rate
    above = {"horizontal": upper - lower, "intermediate": 2.0 * upper - lower - temperature, "vertical": 0.0}[cutoff]
    return np.where(temperature > upper, above, rate)


def expected(tmin, tmax, method, cutoff, lower, upper):
    """Degree-days of consecutive days; the last of a double method falls back to the single one."""
    if method == "average":
        daily = heat(0.5 * (tmin + tmax), cutoff, lower, upper)
    else:
        shape = method.removeprefix("double-")
        daily = half_wave(tmin, tmax, shape, cutoff, lower, upper)
        if method.startswith("double-"):
            after = half_wave(np.append(tmin[1:], tmin[-1]), tmax, shape, cutoff, lower, upper)
            daily = 0.5 * daily + 0.5 * after
    return np.maximum(daily, 0.0)


def ask(earlywood, dates, tmin, tmax, method, cutoff, lower, upper):
    options = [f"--lower={lower}", "--method", method, "--cutoff", cutoff]
    if upper is not None:
        options.append(f"--upper={upper}")
    days = earlywood.calc("degree-days", *options, header="date,tmin_c,tmax_c", rows=zip(dates, tmin, tmax))["days"]
    assert [day["date"] for day in days] == list(dates)
    daily = np.array([day["dd"] for day in days])
    np.testing.assert_allclose(np.cumsum(daily), [day["sum"] for day in days], atol=1e-6)
    return daily


@pytest.fixture(scope="module")
def seattle():
    weather = data.seattle_weather()
    dates = pd.to_datetime(weather["date"]).dt.strftime("%Y-%m-%d").tolist()
    assert len(dates) == 1461 and dates[0] == "2012-01-01" and dates[-1] == "2015-12-31"
    return dates, weather["temp_min"].to_numpy(float), weather["temp_max"].to_numpy(float)


def test_the_quadrature_itself():
    """A day from 5 to 20 over 10: 3.771224 (sine) and 3.333333 (triangle), worked from the published closed forms."""
    low, high = np.array([5.0]), np.array([20.0])
    assert half_wave(low, high, "sine", "horizontal", 10.0, None)[0] == pytest.approx(3.77122441, abs=1e-8)
    assert half_wave(low, high, "triangle", "horizontal", 10.0, None)[0] == pytest.approx(10 / 3, abs=1e-12)


@pytest.mark.parametrize("cutoff", CUTOFFS)
@pytest.mark.parametrize("method", METHODS)
def test_real_weather(earlywood, seattle, method, cutoff):
    dates, tmin, tmax = seattle
    # Low thresholds, so that the upper one is crossed on many days of a mild climate; then none.
    for lower, upper in [(5.0, 18.0), (10.0, 24.5), (10.0, None)]:
        got = ask(earlywood, dates, tmin, tmax, method, cutoff, lower, upper)
        want = expected(tmin, tmax, method, cutoff, lower, upper)
        np.testing.assert_allclose(got, want, atol=TOLERANCE, err_msg=f"{method} {cutoff} {lower}-{upper}")
        if upper is not None:
            assert np.sum(tmax > upper) > 100, "the upper threshold must be crossed for this to test anything"


@pytest.mark.parametrize("method", METHODS)
def test_cutoffs_differ_on_real_weather(earlywood, seattle, method):
    """A cut-off that did nothing would pass by agreeing with itself."""
    sums = [ask(earlywood, *seattle, method, cutoff, 5.0, 18.0).sum() for cutoff in CUTOFFS]
    none = ask(earlywood, *seattle, method, "horizontal", 5.0, None).sum()
    assert none > sums[0] > sums[1] > sums[2]


@pytest.mark.parametrize("cutoff", CUTOFFS)
@pytest.mark.parametrize("method", METHODS)
def test_random_days(earlywood, rng, method, cutoff):
    dates = pd.date_range("2021-01-01", periods=400).strftime("%Y-%m-%d").tolist()
    tmin = rng.uniform(-25.0, 35.0, 400)
    # One day in ten has no swing at all.
    tmax = tmin + np.where(rng.random(400) < 0.1, 0.0, rng.uniform(0.0, 24.0, 400))
    for _ in range(3):
        lower = rng.uniform(-5.0, 18.0)
        upper = lower + rng.uniform(0.5, 25.0)
        got = ask(earlywood, dates, tmin, tmax, method, cutoff, lower, upper)
        want = expected(tmin, tmax, method, cutoff, lower, upper)
        np.testing.assert_allclose(got, want, atol=TOLERANCE, err_msg=f"{method} {cutoff} {lower}-{upper}")


def age(earlywood, kind, dates, tmin, tmax, life, reference, q10, beta):
    span = "--rated-days" if kind == "zero-order" else "--half-life-days"
    options = ["--kind", kind, f"{span}={life}", f"--reference-c={reference}", f"--q10={q10}", f"--beta={beta}"]
    return earlywood.calc("lure", *options, header="date,tmin_c,tmax_c", rows=zip(dates, tmin, tmax))


def day_factor(tmin, tmax, reference, q10):
    """Mean of q10^((T - reference)/10) over a sine day, two ways that must agree: Bessel function and quadrature."""
    mean, half = 0.5 * (tmin + tmax), 0.5 * (tmax - tmin)
    bessel = q10 ** ((mean - reference) / 10.0) * special.i0(half * np.log(q10) / 10.0)
    angle = 2.0 * np.pi * (np.arange(720) + 0.5) / 720
    drawn = np.mean(q10 ** ((mean[:, None] + half[:, None] * np.sin(angle) - reference) / 10.0), axis=1)
    np.testing.assert_allclose(bessel, drawn, rtol=1e-9)
    return bessel


def check_lure(answer, dates, tmin, tmax, kind, life, reference, q10, beta):
    days = answer["days"]
    assert [day["date"] for day in days] == list(dates)
    used = np.cumsum(day_factor(tmin, tmax, reference, q10))
    np.testing.assert_allclose([day["equivalent_days"] for day in days], used, rtol=1e-9)
    left = np.maximum(1.0 - used / life, 0.0) if kind == "zero-order" else 0.5 ** (used / life)
    np.testing.assert_allclose([day["left"] for day in days], left, rtol=1e-9, atol=1e-9)
    potency = (left > 0.0).astype(float) if kind == "zero-order" else left**beta
    np.testing.assert_allclose([day["potency"] for day in days], potency, rtol=1e-9, atol=1e-9)
    empty = [date for date, share in zip(dates, left) if share <= 0.0]
    assert answer["empty_on"] == (empty[0] if empty and kind == "zero-order" else None)


@pytest.mark.parametrize("kind", ["zero-order", "first-order"])
def test_lure_on_real_weather(earlywood, seattle, kind):
    dates, tmin, tmax = (column[120:330] for column in seattle)
    for life, reference, q10, beta in [(42.0, 20.0, 2.0, 1.0), (75.0, 15.0, 2.126328684, 0.5), (400.0, 25.0, 3.0, 0.3)]:
        answer = age(earlywood, kind, dates, tmin, tmax, life, reference, q10, beta)
        check_lure(answer, dates, tmin, tmax, kind, life, reference, q10, beta)


@pytest.mark.parametrize("kind", ["zero-order", "first-order"])
def test_lure_on_random_days(earlywood, rng, kind):
    dates = pd.date_range("2024-02-01", periods=90).strftime("%Y-%m-%d").tolist()
    for _ in range(5):
        tmin = rng.uniform(-15.0, 30.0, 90)
        tmax = tmin + rng.uniform(0.0, 25.0, 90)
        life, reference = rng.uniform(5.0, 200.0), rng.uniform(0.0, 35.0)
        q10, beta = rng.uniform(1.0, 5.0), rng.uniform(0.0, 2.0)
        answer = age(earlywood, kind, dates, tmin, tmax, life, reference, q10, beta)
        check_lure(answer, dates, tmin, tmax, kind, life, reference, q10, beta)
