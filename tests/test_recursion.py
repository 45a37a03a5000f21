"""Each value also depends on the ones before it."""

import numpy as np
import pytest
from scipy.signal import lfilter

from helpers.shared.recursion import recursion


@pytest.mark.parametrize(
    "weights", [[1.0], [1.0, -0.9], [1.0, -1.0, 0.4], [1.0, 0.6], [1.0, -1.0, 0.0, 0.3], [2.0, 1.0]]
)
def test_it_is_the_filter_of_scipy(weights):
    values = np.random.default_rng(1).standard_normal((400, 2, 3))
    assert recursion(weights, values) == pytest.approx(lfilter([1.0], weights, values, axis=0), abs=1e-9)


def test_it_is_its_definition():
    values = np.array([1.0, 2.0, -1.0])
    found = recursion([1.0, 0.5], values)
    assert found == pytest.approx([1.0, 2.0 - 0.5, -1.0 - 0.5 * 1.5])
    assert values.tolist() == [1.0, 2.0, -1.0]
