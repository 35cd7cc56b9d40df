"""The spline through points is the reference library's, to the last bit."""

import numpy as np
import pytest
from bounceproof.follow import spline
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline


@given(st.integers(0, 10_000), st.integers(2, 60))
def test_it_is_scipys_cubic_spline(seed, count):
    random = np.random.default_rng(seed)
    x = np.cumsum(random.uniform(0.1, 3.0, count))
    y = random.standard_normal(count) * 10.0 ** random.integers(-3, 6)
    places = np.concatenate((x, random.uniform(x[0] - 2, x[-1] + 2, 200)))
    assert np.array_equal(spline.through(x, y)(places), CubicSpline(x, y)(places))


def test_a_cubic_comes_back_as_it_is():
    x = np.array([0.0, 0.5, 2.0, 3.0, 3.5, 5.0])
    places = np.linspace(0, 5, 101)
    cubic = np.polynomial.Polynomial([1.0, -2.0, 0.5, 0.25])
    assert spline.through(x, cubic(x))(places) == pytest.approx(cubic(places), abs=1e-12)
