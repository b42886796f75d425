"""Sample sizes, freedom and the small network against scipy's distributions, numpy and whole-number arithmetic, on
random inputs."""

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy import optimize, stats

FORMS = ["sech", "exponential", "half-normal", "disc"]


def sample_size(earlywood, population, level, sensitivity, confidence):
    """One answer of `calc sample-size`; numbers go over as they are written here."""
    return earlywood.calc("sample-size", "--population", population, "--level", level, "--sensitivity", sensitivity,
                          "--confidence", confidence)


def decimal(rng, low, high, places):
    """A random decimal number as text, so that both sides read the same number."""
    scale = 10**places
    return f"{rng.integers(math.ceil(low * scale), math.floor(high * scale) + 1) / scale:.{places}f}"


def none_found(population, infested, n):
    """P(0 found) by a method that never misses, exactly."""
    return Fraction(math.comb(population - infested, n), math.comb(population, n))


def test_hypergeometric_exactly(earlywood, rng):
    """Smallest n with P(0) <= 1 - C in fractions: ties and near-ties included."""
    done = 0
    while done < 40:
        population = int(rng.integers(2, 2000))
        level, confidence = decimal(rng, 0.001, 1, 3), decimal(rng, 0.5, 0.999, int(rng.integers(1, 4)))
        infested = int(population * Fraction(level))
        if infested == 0 or Fraction(confidence) >= 1:
            continue
        answer = sample_size(earlywood, population, level, 1, confidence)
        n, limit = answer["n"], 1 - Fraction(confidence)
        told = (population, level, confidence, answer)
        assert none_found(population, infested, n) <= limit, told
        assert n == 0 or none_found(population, infested, n - 1) > limit, told
        assert answer["confidence"] == pytest.approx(float(1 - none_found(population, infested, n)), abs=1e-12), told
        assert answer["confidence"] == pytest.approx(1 - stats.hypergeom.pmf(0, population, infested, n), abs=1e-9), told
        done += 1


def test_ties_that_floating_point_gets_wrong(earlywood):
    for population, level, confidence, n in [(20, "0.05", "0.95", 19), (10, "0.1", "0.7", 7), (5, "0.4", "0.7", 2),
                                             (100, "0.29", "0.49", 2), (1000, "0.001", "0.999", 999)]:
        assert sample_size(earlywood, population, level, 1, confidence)["n"] == n


def test_imperfect_method(earlywood, rng):
    """Σ_k Hyp(k) (1 - Se)^k, by scipy's probabilities."""

    def missed(population, infested, n, sensitivity):
        k = np.arange(0, min(n, infested) + 1)
        return float(np.sum(stats.hypergeom.pmf(k, population, infested, n) * (1 - sensitivity) ** k))

    for _ in range(30):
        population = int(10 ** rng.uniform(1.5, 6))
        level, sensitivity = decimal(rng, 0.05, 0.6, 3), decimal(rng, 0.3, 0.99, 2)
        confidence = decimal(rng, 0.5, 0.7, 3)
        infested = int(population * Fraction(level))
        if infested == 0 or (1 - float(sensitivity)) ** infested > 1 - float(confidence):
            continue
        answer = sample_size(earlywood, population, level, sensitivity, confidence)
        told = (population, level, sensitivity, confidence, answer)
        reached = 1 - missed(population, infested, answer["n"], float(sensitivity))
        assert answer["confidence"] == pytest.approx(reached, abs=1e-8), told
        assert reached >= float(confidence) - 1e-8, told
        assert 1 - missed(population, infested, answer["n"] - 1, float(sensitivity)) < float(confidence) + 1e-8, told


def test_unlimited_population(earlywood, rng):
    for _ in range(40):
        level, sensitivity = decimal(rng, 0.001, 0.5, 4), decimal(rng, 0.1, 1, 3)
        confidence = decimal(rng, 0.5, 0.999, 3)
        each = Fraction(level) * Fraction(sensitivity)
        answer = sample_size(earlywood, "none", level, sensitivity, confidence)
        n, limit, told = answer["n"], 1 - Fraction(confidence), (level, sensitivity, confidence, answer)
        chance = stats.binom.pmf(0, n, float(each))
        assert answer["confidence"] == pytest.approx(1 - chance, abs=1e-10), told
        assert chance <= float(limit) * (1 + 1e-9), told
        assert stats.binom.pmf(0, n - 1, float(each)) > float(limit) * (1 - 1e-9), told
        assert "infested_units" not in answer


def test_a_large_lot_is_nearly_unlimited(earlywood, rng):
    level = decimal(rng, 0.005, 0.1, 3)
    lot = sample_size(earlywood, 1_000_000_000, level, 0.8, 0.95)["n"]
    assert abs(lot - sample_size(earlywood, "none", level, 0.8, 0.95)["n"]) <= 1


@pytest.mark.parametrize(
    "arguments",
    [
        ["--population", 50, "--level", 0.01, "--confidence", 0.95],  # no whole infested unit
        ["--population", 0, "--level", 0.1, "--confidence", 0.95],
        ["--population", -5, "--level", 0.1, "--confidence", 0.95],
        ["--population", "many", "--level", 0.1, "--confidence", 0.95],
        ["--population", 10**15, "--level", 0.1, "--confidence", 0.95],
        ["--population", "none", "--level", 0, "--confidence", 0.95],
        ["--population", "none", "--level", 1.5, "--confidence", 0.95],
        ["--population", "none", "--level", "nan", "--confidence", 0.95],
        ["--population", "none", "--level", 0.1, "--confidence", 1],  # no finite sample is certain
        ["--population", "none", "--level", 0.1, "--confidence", "inf"],
        ["--population", 100, "--level", 0.01, "--sensitivity", 0.5, "--confidence", 0.95],  # can't be reached
    ],
)
def test_what_cannot_be_answered_is_refused(earlywood, arguments):
    done = earlywood.run("calc", "sample-size", *arguments)
    assert done.returncode != 0
    assert done.stderr.strip() and "panicked" not in done.stderr
    assert done.stdout == ""


def bayes(prior, sensitivity, introduction, periods):
    """Freedom by counting a large imaginary population of places: free ones, and infested ones not yet found."""
    free, infested = 1 - prior, prior
    for _ in range(periods):
        infested *= 1 - sensitivity
        yield free / (free + infested)
        free, infested = free * (1 - introduction), infested + free * introduction


def test_freedom(earlywood, rng):
    for _ in range(20):
        prior, sensitivity, introduction = rng.uniform(0.01, 0.99), rng.uniform(0.05, 0.99), rng.uniform(0, 0.3)
        answer = earlywood.calc("freedom", "--prior-infested", prior, "--sensitivity", sensitivity, "--introduction",
                                introduction, "--periods", 25)
        assert answer["p_free"] == pytest.approx(list(bayes(prior, sensitivity, introduction, 25)), abs=1e-12)

        def next_free(free):
            infested = 1 - free * (1 - introduction)
            return (1 - infested) / (1 - infested * sensitivity)

        # The limit is where a period changes nothing.
        limit = answer["limit"]
        assert next_free(limit) == pytest.approx(limit, abs=1e-9)
        if sensitivity > introduction * 1.05:
            assert limit == pytest.approx(optimize.fixed_point(next_free, 1.0, maxiter=20_000), abs=1e-6)
        else:
            assert limit < 0.06


def capture(form, x, peak):
    """Capture at distance x reaches."""
    return peak * {"sech": lambda: 1 / np.cosh(x), "exponential": lambda: np.exp(-x),
                   "half-normal": lambda: np.exp(-x * x / 2), "disc": lambda: (x <= 1).astype(float)}[form]()


@pytest.mark.parametrize("form", FORMS)
def test_network(earlywood, rng, form):
    """One insect escapes every trap with the product of escapes; N insects are a Poisson number."""
    for _ in range(3):
        reach, peak, flyers = rng.uniform(5, 200), rng.uniform(0.01, 1), rng.uniform(0.1, 500)
        traps, cells = rng.uniform(0, 600, (7, 2)), rng.uniform(0, 600, (11, 2))
        rows = [("trap", *t) for t in traps] + [("cell", *c) for c in cells]
        answer = earlywood.calc("network", "--form", form, "--reach", reach, "--peak", peak, "--flyers", flyers,
                                rows=rows, header="kind,x,y")
        distances = np.hypot(*(cells[:, None, :] - traps[None, :, :]).transpose(2, 0, 1))
        p_one = 1 - np.prod(1 - capture(form, distances / reach, peak), axis=1)
        assert [(c["x"], c["y"]) for c in answer["cells"]] == [tuple(c) for c in cells]
        assert [c["p_one"] for c in answer["cells"]] == pytest.approx(p_one, abs=1e-12)
        assert [c["sensitivity"] for c in answer["cells"]] == pytest.approx(-np.expm1(-flyers * p_one), abs=1e-10)
        seen = stats.poisson.sf(0, flyers * p_one)
        assert [c["sensitivity"] for c in answer["cells"]] == pytest.approx(seen, abs=1e-10)
