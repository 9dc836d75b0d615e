"""A certified non-linear fit: NIST StRD, Misra1a (lower difficulty, 14 observations), values and standard errors.

https://www.itl.nist.gov/div898/strd/nls/data/misra1a.shtml. The observations are typed from memory; that the certified figures come
out of them confirms it.
"""

import numpy as np
import pytest

from apexfix.calibrate.least_squares import solve

Y = np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78])
X = np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0])


@pytest.mark.parametrize("start", [(500.0, 1e-4), (250.0, 5e-4)])
def test_values_standard_errors_and_residual_sum_are_those_of_the_certificate(start):
    found = solve(lambda b: Y - b[0] * (1 - np.exp(-b[1] * X)), np.array(start), np.array([100.0, 1e-4]))
    assert found.values == pytest.approx([2.3894212918e02, 5.5015643181e-04], rel=1e-7)
    assert found.chi2 == pytest.approx(1.2455138894e-01, rel=1e-9)
    errors = np.sqrt(np.diag(found.covariance) * found.chi2 / found.freedom)
    assert errors == pytest.approx([2.7070075241, 7.2668688436e-06], rel=1e-5)
