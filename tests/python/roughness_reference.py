"""What scipy and numpy make of a series: spectra, matrix exponential, chi-square quantiles, IRI.

    roughness_reference.py FILE   a text file of rows "a b", two series 0.05 m apart

Prints rows of a name and numbers.
"""
import sys

import numpy as np
from scipy import linalg, signal, stats

a, b = np.loadtxt(sys.argv[1]).T
STEP = 0.05


def say(name, values):
    print(name, *(repr(float(v)) for v in np.ravel(values)))


options = dict(fs=1 / STEP, window="hann", nperseg=256, noverlap=128, detrend="linear")
say("welch", signal.welch(a, **options)[1])
cross = signal.csd(a, b, **options)[1]
say("cross_re", cross.real)
say("cross_im", cross.imag)
for dof in (1.0, 3.7, 20.0, 400.0):
    say(f"chi2_{dof}", stats.chi2.ppf([0.025, 0.5, 0.975], dof))

# The golden quarter car in a plain loop over slopes that are constant over a step.
k1, k2, c, mu, v = 653.0, 63.3, 6.0, 0.15, 80 / 3.6
A = np.array([[0, 1, 0, 0], [-k2, -c, k2, c], [0, 0, 0, 1],
              [k2 / mu, c / mu, -(k1 + k2) / mu, -c / mu]])
B = np.array([0, 0, 0, k1 / mu])


def transition(step):
    st = linalg.expm(A * step / v)
    return st, np.linalg.solve(A, (st - np.eye(4)) @ B)


for step in (0.25, 0.1, 0.05):
    st, pr = transition(step)
    say(f"st_{step}", st)
    say(f"pr_{step}", pr)
st, pr = transition(STEP)
slope = (a[5:] - a[:-5]) / 0.25
start = (a[220] - a[0]) / 11.0
z = np.array([start, 0, start, 0])
strokes = []
for s in slope:
    z = st @ z + pr * s
    strokes.append(abs(z[2] - z[0]))
say("iri", 1e3 * np.mean(strokes))
