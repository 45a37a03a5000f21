"""What a series becomes when each value also depends on the ones before it.

As `scipy.signal.lfilter([1], weights, values)`, whose package takes a second to load: each workbook would wait for it.
"""

import numpy as np
from scipy.linalg import solve_banded


def recursion(weights, values):
    """The series y with weights[0] y[k] + weights[1] y[k - 1] + ... = values[k], and 0 before its start.

    Parameters
    ----------
    weights : array, shape (order + 1,)
    values : array, shape (n, ...)

    Returns
    -------
    array, shape (n, ...)
    """
    bands = np.repeat(np.asarray(weights, float)[:, None], len(values), axis=1)
    columns = np.reshape(values, (len(values), -1))
    return solve_banded((len(bands) - 1, 0), bands, columns).reshape(np.shape(values))
