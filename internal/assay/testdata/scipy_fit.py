# Makes scipy_fit.csv: uptake curves fitted by SciPy (optimize.curve_fit), against which the Go code is checked. The readings are made here, of known
# parameters, unevenly wiped (a fixed sequence of deviations) and rounded to a scale.
# Debian: apt-get install python3-scipy; then: python3 scipy_fit.py > scipy_fit.csv
import csv, sys
import numpy as np
from scipy import optimize

out = csv.writer(sys.stdout, lineterminator="\n")
out.writerow(["# what", "dry", "minutes", "masses", "saturation", "uSaturation", "tau", "uTau", "chi2", "slope"])


def law(t, s, tau):
    return -s * np.expm1(-t / tau)


def noise(seed):
    """Numbers from -1 to 1 that are the same everywhere: a congruential generator (Numerical Recipes' ranqd1)."""
    while True:
        seed = (1664525 * seed + 1013904223) % 2**32
        yield seed / 2**31 - 1


def step(text):
    number = text.split(" ")[0]
    return 10.0 ** -len(number.split(".")[1]) if "." in number else 1.0


def fit(t, masses, dry, uncertainties, start):
    w, u = (masses - dry) / dry, uncertainties / dry
    p, cov = optimize.curve_fit(law, t, w, p0=start, sigma=u, absolute_sigma=True, xtol=1e-14, ftol=1e-14, gtol=1e-14, maxfev=10000)
    chi2 = float(np.sum(((w - law(t, *p)) / u) ** 2))
    return p, cov, chi2, w, u


usual = [1, 2, 5, 10, 20, 40, 60, 120, 240, 480]
cases = [
    # what, dry, saturation, tau, minutes, how unevenly wiped (g), decimals of each reading
    ("on the law", "10.0000 g", 0.08, 25, usual, 0, 4),
    ("unevenly wiped", "10.000 g", 0.05, 12, usual, 0.02, 3),
    ("a small stone", "0.684 g", 0.11, 18, usual, 0.001, 3),
    ("three readings", "1.2246 g", 0.052, 12, [10, 40, 150], 0.001, 4),
    ("slow", "5.000 g", 0.06, 300, [15, 60, 120, 240, 480, 1000], 0.004, 3),
    ("two scales", "10.000 g", 0.10, 25, [2, 5, 10, 20, 40, 80, 160, 320], 0.0, [1, 2, 3, 3, 1, 3, 2, 3]),
    ("a coarse dry weighing", "8.2 g", 0.07, 20, usual, 0.002, 3),
    ("many", "3.0000 g", 0.09, 30, [2 * k + 1 for k in range(120)], 0.003, 4),
]
for seed, (what, dry, s, tau, minutes, uneven, decimals) in enumerate(cases, 1):
    n = noise(seed)
    places = decimals if isinstance(decimals, list) else [decimals] * len(minutes)
    m0 = float(dry.split(" ")[0])
    texts = ["%.*f g" % (d, m0 * (1 + law(t, s, tau)) + uneven * next(n)) for t, d in zip(minutes, places)]
    t = np.array(minutes, float)
    masses = np.array([float(x.split(" ")[0]) for x in texts])
    u = np.array([step(x) for x in texts]) / np.sqrt(12)
    p, cov, chi2, w, uw = fit(t, masses, m0, u, [s, tau])

    # The dry weighing's share: the fit with the dry mass a little more and a little less.
    h = 0.01 * step(dry) / np.sqrt(12)
    more, less = fit(t, masses, m0 + h, u, p)[0], fit(t, masses, m0 - h, u, p)[0]
    share = (more - less) / 0.02
    errors = np.sqrt(np.diag(cov) * max(1.0, chi2 / (len(t) - 2)) + share**2)

    early = w < 0.6 * p[0]
    slope = ""
    if early.sum() >= 2:
        a = (np.sqrt(t[early]) / uw[early]).reshape(-1, 1)
        slope = "%.6g" % np.linalg.lstsq(a, w[early] / uw[early], rcond=None)[0][0]
    row = [what, dry, " ".join(str(x) for x in minutes), "; ".join(texts)]
    out.writerow(row + ["%.7g" % p[0], "%.3g" % errors[0], "%.7g" % p[1], "%.3g" % errors[1], "%.5g" % chi2, slope])
