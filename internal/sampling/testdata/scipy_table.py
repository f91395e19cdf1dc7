# Makes scipy_table.csv: exact sampling figures by SciPy (hypergeom, binom, beta, integrate), against which the Go code is checked.
# Debian: apt-get install python3-scipy; then: python3 scipy_table.py > scipy_table.csv
import csv, math, sys
import numpy as np
from scipy import integrate, stats

out = csv.writer(sys.stdout, lineterminator="\n")


def num(x):
    return "%.10g" % x


def show_cdf(x, N, K, n, se, sp):
    """P(at most x shown), by summing over the treated stones drawn."""
    total = 0.0
    for j in range(max(0, n - (N - K)), min(n, K) + 1):
        p = stats.hypergeom.pmf(j, N, K, n)
        if p < 1e-18:
            continue
        a = np.arange(0, j + 1)
        total += p * float(np.sum(stats.binom.pmf(a, j, se) * stats.binom.cdf(x - a, n - j, 1 - sp)))
    return total


def limits(N, n, x, se, sp, alpha):
    perfect = se == 1 and sp == 1

    def most(K):
        return stats.hypergeom.cdf(x, N, K, n) if perfect else show_cdf(x, N, K, n, se, sp)

    def least(K):
        if perfect:
            return stats.hypergeom.sf(x - 1, N, K, n)
        return 1 - show_cdf(x - 1, N, K, n, se, sp) if x > 0 else 1.0

    lo, hi = (x, N - (n - x)) if perfect else (0, N)
    ups = lows = None
    a, b = lo, hi  # the largest K with most(K) > alpha
    if most(a) > alpha:
        while a < b:
            m = (a + b + 1) // 2
            if most(m) > alpha:
                a = m
            else:
                b = m - 1
        ups = a
    a, b = lo, hi
    if least(b) > alpha:
        while a < b:
            m = (a + b) // 2
            if least(m) > alpha:
                b = m
            else:
                a = m + 1
        lows = a
    if ups is None or lows is None:
        return 0, N, 0
    return lows, ups, 1


out.writerow(["# what", "arguments", "value"])
for N, K, n, x in [(20, 7, 12, 3), (400, 20, 52, 0), (400, 43, 25, 0), (10000, 321, 500, 9), (1000000, 50000, 1000, 30), (1000000, 500000, 200000, 99500), (1000000, 3, 999000, 2)]:
    out.writerow(["cdf", f"{N} {K} {n} {x}", num(stats.hypergeom.cdf(x, N, K, n))])
    out.writerow(["sf", f"{N} {K} {n} {x}", num(stats.hypergeom.sf(x - 1, N, K, n))])
for N, n, x in [(400, 25, 0), (400, 52, 0), (400, 25, 1), (400, 25, 20), (1000, 80, 3), (12345, 300, 7), (1000000, 59, 0), (1000000, 1000, 12), (1000000, 50000, 2500)]:
    lo, up, ok = limits(N, n, x, 1, 1, 0.05)
    out.writerow(["limits", f"{N} {n} {x} 1 1 0.95 1", f"{lo} {up} {ok}"])
for N, n, x, se, sp, conf in [(400, 25, 0, 0.9, 1, 0.95), (400, 25, 3, 0.9, 0.95, 0.95), (400, 25, 25, 0.8, 0.9, 0.95), (60, 12, 2, 0.75, 0.97, 0.9), (400, 40, 0, 0.9, 0.6, 0.95), (5000, 200, 11, 0.93, 0.98, 0.99)]:
    lo, up, ok = limits(N, n, x, se, sp, 1 - conf)
    out.writerow(["limits", f"{N} {n} {x} {se} {sp} {conf} 1", f"{lo} {up} {ok}"])
    lo, up, ok = limits(N, n, x, se, sp, (1 - conf) / 2)
    out.writerow(["limits", f"{N} {n} {x} {se} {sp} {conf} 2", f"{lo} {up} {ok}"])


def misses(N, K, n, se):
    j = np.arange(0, min(n, K) + 1)
    return float(np.sum(stats.hypergeom.pmf(j, N, K, n) * (1 - se) ** j))


for N, K, se, conf in [(400, 21, 1, 0.95), (400, 20, 1, 0.95), (400, 20, 0.9, 0.95), (1000, 10, 0.8, 0.9), (1000000, 10000, 1, 0.95), (1000000, 10000, 0.95, 0.95), (1000000, 50, 1, 0.99), (70, 4, 1, 0.95)]:
    a, b = 0, N
    while a < b:
        m = (a + b) // 2
        if misses(N, K, m, se) <= (1 - conf) * (1 + 1e-9):
            b = m
        else:
            a = m + 1
    out.writerow(["plan", f"{N} {K} {se} {conf}", str(a)])
for n, k, se, sp in [(25, 0, 0.9, 1), (25, 0, 0.9, 0.95), (25, 3, 0.9, 0.95), (100, 60, 0.7, 0.8), (5, 5, 0.99, 0.5), (2000, 150, 0.93, 0.98)]:
    q = lambda t: t * se + (1 - t) * (1 - sp)
    top = max(stats.binom.logpmf(k, n, q(t)) for t in np.linspace(0.0005, 0.9995, 1000))
    f = lambda u, g: g(math.sin(u) ** 2) * math.exp(stats.binom.logpmf(k, n, q(math.sin(u) ** 2)) - top)
    peaks = [math.asin(math.sqrt(min(max((k / n - 1 + sp) / (se + sp - 1), 0), 1)))]
    a = integrate.quad(f, 0, math.pi / 2, args=(lambda t: t,), points=peaks, epsabs=0, epsrel=1e-11, limit=500)[0]
    b = integrate.quad(f, 0, math.pi / 2, args=(lambda t: 1,), points=peaks, epsabs=0, epsrel=1e-11, limit=500)[0]
    out.writerow(["untested", f"{n} {k} {se} {sp}", "%.8g" % (a / b)])
# With the test's shares from counts: a fine grid of quantiles, and the mean over θ by sums, independent of the Go code's quadrature.
for n, k, a, A, b, B in [(25, 0, 20, 20, 0, 20), (25, 1, 9, 10, 1, 12), (10, 9, 4, 5, 1, 6)]:
    m = 200
    u = (np.arange(m) + 0.5) / m
    hits = stats.beta.ppf(u, a + 0.5, A - a + 0.5)
    errs = stats.beta.ppf(u, b + 0.5, B - b + 0.5)
    phi = (np.arange(2000) + 0.5) / 2000 * math.pi / 2
    th = np.sin(phi) ** 2
    top = bottom = 0.0
    for h in hits:
        q = th[None, :] * h + (1 - th[None, :]) * errs[:, None]
        like = q**k * (1 - q) ** (n - k)
        top += float(np.sum(like * th[None, :]))
        bottom += float(np.sum(like))
    out.writerow(["counts", f"{n} {k} {a} {A} {b} {B}", "%.3g" % (top / bottom)])
