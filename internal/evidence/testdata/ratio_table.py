# Makes ratio_table.csv: quantiles of the ratio of two Beta distributions by SciPy (integrate.quad over the density, brentq for the quantile), against
# which the Go code is checked. Debian: apt-get install python3-scipy; then: python3 ratio_table.py > ratio_table.csv. A number makes so many rows only.
import csv, math, sys
from scipy import integrate, optimize, stats

out = csv.writer(sys.stdout, lineterminator="\n")


def below(x, y, r):
    # Over the probability of y, so that no density has a pole; pieces so that steep parts are not missed.
    f = lambda u: x.cdf(min(1.0, r * y.ppf(u)))
    cuts = [0, 1e-9, 1e-6, 1e-4, 1e-3, 0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 0.999, 0.9999, 1]
    if r > 1:
        cuts = sorted(set(cuts + [float(y.cdf(1 / r))]))
    return sum(integrate.quad(f, a, b, epsabs=1e-9, epsrel=1e-7, limit=60)[0] for a, b in zip(cuts, cuts[1:]) if b > a)


out.writerow(["# treatedWith", "treatedAll", "untreatedWith", "untreatedAll", "level", "point", "lower", "upper"])
rows = [
    (40, 40, 0, 60, 0.95), (1, 1, 0, 3, 0.95), (20, 20, 0, 20, 0.95), (5, 5, 0, 5, 0.95), (0, 20, 20, 20, 0.95), (9, 10, 1, 12, 0.95),
    (231, 258, 32, 86, 0.95), (3, 30, 3, 30, 0.95), (40, 40, 0, 60, 0.9875), (500, 1000, 10, 1000, 0.95), (1, 40, 30, 60, 0.95), (0, 5, 0, 5, 0.95),
]
for a, A, b, B, level in rows[: int(sys.argv[1])] if len(sys.argv) > 1 else rows:
    x, y = stats.beta(a + 0.5, A - a + 0.5), stats.beta(b + 0.5, B - b + 0.5)
    point = (a + 0.5) / (A + 1) / ((b + 0.5) / (B + 1))
    ends = []
    for p in ((1 - level) / 2, (1 + level) / 2):
        lo, hi = math.log(point) - 1, math.log(point) + 1
        g = lambda t: below(x, y, math.exp(t)) - p
        while g(lo) > 0:
            lo -= 2
        while g(hi) < 0:
            hi += 2
        ends.append(math.exp(optimize.brentq(g, lo, hi, xtol=1e-8)))
    out.writerow([a, A, b, B, level, "%.6g" % point, "%.6g" % ends[0], "%.6g" % ends[1]])
