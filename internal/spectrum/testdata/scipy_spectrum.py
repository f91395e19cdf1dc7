# Makes scipy_spectrum.json: what SciPy makes of the same points, against which the Go code is checked: asymmetric least squares solved by scipy.sparse, the
# filter of Savitzky and Golay by signal.savgol_filter, peaks with prominences and widths by signal.find_peaks. The points are made here: bands on a slope, with
# a fixed sequence of deviations.
# Debian: apt-get install python3-scipy; then: /usr/bin/python3 scipy_spectrum.py > scipy_spectrum.json
import json, sys
import numpy as np
from scipy import signal, sparse
from scipy.sparse.linalg import spsolve


def noise(seed, n):
    """Numbers from -1 to 1 that are the same everywhere: a congruential generator (Numerical Recipes' ranqd1)."""
    out = []
    for _ in range(n):
        seed = (1664525 * seed + 1013904223) % 2**32
        out.append(seed / 2**31 - 1)
    return np.array(out)


def curve(seed, n, bands, slope, scatter):
    x = np.arange(n)
    y = slope[0] + slope[1] * x + slope[2] * x**2 + scatter * noise(seed, n)
    for at, sigma, height in bands:
        y += height * np.exp(-((x - at) ** 2) / (2 * sigma**2))
    return np.round(y, 6)


def baseline(y, lam, p):
    n = len(y)
    d = sparse.diags([1, -2, 1], [0, 1, 2], shape=(n - 2, n))
    penalty = lam * (d.T @ d)
    w = np.ones(n)
    for _ in range(50):
        z = spsolve((sparse.diags(w) + penalty).tocsc(), w * y)
        new = np.where(y > z, p, 1 - p)
        if np.array_equal(new, w):
            break
        w = new
    return z


def digits(a):
    return [float("%.10g" % v) for v in a]


out = []
for seed, n, bands, slope, scatter, lam, p, half, least in [
    (1, 120, [(30, 4, 1.0), (44, 3, 0.6), (85, 6, 0.8)], (0.3, 0.004, 0), 0.01, 1e4, 0.001, 4, 0.05),
    (2, 90, [(20, 5, 2.0), (50, 12, 1.0)], (5, -0.05, 0.0004), 0.0, 1e3, 0.01, 3, 0.01),
    (3, 150, [(10, 2, 0.5), (75, 2, 0.5), (78, 2, 0.5), (140, 3, 0.7)], (0, 0, 0), 0.05, 1e5, 0.001, 7, 0.1),
]:
    y = curve(seed, n, bands, slope, scatter)
    at, properties = signal.find_peaks(y, prominence=least)
    widths = signal.peak_widths(y, at, rel_height=0.5)[0]
    out.append({
        "y": digits(y), "lambda": lam, "p": p, "baseline": digits(baseline(y, lam, p)),
        "half": half, "smooth": digits(signal.savgol_filter(y, 2 * half + 1, 2, mode="interp")),
        "least": least, "at": [int(i) for i in at], "prominences": digits(properties["prominences"]), "widths": digits(widths),
    })
json.dump(out, sys.stdout, separators=(",", ":"))
print()
