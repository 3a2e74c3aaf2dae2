"""Make ../data/reference.json: figures of general-purpose libraries that the crate's tests compare with.

    python3 -m venv venv && venv/bin/pip install scipy==1.17.1 statsmodels==0.15.0 pymannkendall==1.4.3
    venv/bin/python host/analysis/tests/reference/make_reference.py

The file holds every input beside its output, and the versions that made it. Nothing in it is random from run to run.
"""

import json
import math
import pathlib
import platform

import numpy
import pymannkendall
import scipy
import statsmodels
from scipy import stats
from scipy.optimize import curve_fit
from scipy.stats import contingency
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import DescrStatsW
from statsmodels.tsa.stattools import acf

DATA = pathlib.Path(__file__).resolve().parent.parent / "data"
GENERATOR = numpy.random.Generator(numpy.random.PCG64(20240607))


def column(name, index):
    lines = (DATA / name).read_text().split()[1:]
    return [float(line.split(",")[index]) for line in lines]


def rounded(values, digits=6):
    """Inputs are stored short; the libraries are given the stored values, not the drawn ones."""
    return [round(float(v), digits) for v in values]


def autocorrelated(count, rho):
    level, out = 0.0, []
    for step in GENERATOR.normal(size=count):
        level = rho * level + step
        out.append(level)
    return rounded(out)


def lists():
    out = []
    for count in (1, 2, 7, 40):
        values = rounded(GENERATOR.normal(3.0, 2.0, count))
        probabilities = [0.0, 0.1, 0.25, 0.5, 0.9, 1.0]
        out.append({
            "values": values,
            "probabilities": probabilities,
            "quantiles": [float(q) for q in numpy.quantile(values, probabilities)],
            "median_absolute_deviation": float(stats.median_abs_deviation(values)),
        })
    return out


def distributions():
    probabilities = [1e-6, 0.005, 0.025, 0.3, 0.5, 0.7, 0.95, 0.975, 0.9995]
    degrees = [0.7, 1.0, 2.0, 3.5, 9.0, 16.0, 120.0, 5000.0, 1e6]
    return {
        "probabilities": probabilities,
        "normal_quantile": [float(stats.norm.ppf(p)) for p in probabilities],
        "student_t_quantile": [
            {"degrees_of_freedom": d, "quantiles": [float(stats.t.ppf(p, d)) for p in probabilities]} for d in degrees
        ],
        "student_t_two_sided_p": [
            {"t": t, "degrees_of_freedom": d, "p": float(2 * stats.t.sf(t, d))}
            for t in (0.0, 0.3, 2.1, 8.0) for d in degrees
        ],
    }


def counts():
    poisson = []
    for k in (0, 1, 2, 5, 10, 37, 250, 20000):
        poisson.append({
            "count": k,
            "low": float(stats.chi2.ppf(0.025, 2 * k) / 2) if k else 0.0,
            "high": float(stats.chi2.ppf(0.975, 2 * k + 2) / 2),
            "upper_limit_95": float(stats.chi2.ppf(0.95, 2 * k + 2) / 2),
            "expected": 0.8 * k + 1.5,
            "at_least": float(stats.poisson.sf(k - 1, 0.8 * k + 1.5)),
            "at_most": float(stats.poisson.cdf(k, 0.8 * k + 1.5)),
        })
    binomial = []
    for k, n, p in [(0, 1, 0.5), (0, 60, 0.03), (3, 12, 0.1), (7, 8, 0.5), (12, 12, 0.8), (40, 500, 0.06),
                    (31, 9000, 0.004), (4900, 10000, 0.5)]:
        interval = stats.binomtest(k, n).proportion_ci(0.95, method="exact")
        binomial.append({
            "hits": k, "tries": n, "p": p,
            "low": float(interval.low), "high": float(interval.high),
            "at_least": float(stats.binom.sf(k - 1, n, p)),
            "at_most": float(stats.binom.cdf(k, n, p)),
            "two_sided": float(stats.binomtest(k, n, p).pvalue),
        })
    rates = []
    for k1, t1, k2, t2 in [(14, 60.0, 1, 60.0), (3, 2.0, 9, 5.0), (0, 1.0, 6, 1.5), (20, 3.0, 22, 3.0)]:
        n, even = k1 + k2, t1 / (t1 + t2)
        share = stats.binomtest(k1, n).proportion_ci(0.95, method="exact")
        tails = min(stats.binom.sf(k1 - 1, n, even), stats.binom.cdf(k1, n, even))
        rates.append({
            "first": [k1, t1], "second": [k2, t2],
            "low": float(share.low / (1 - share.low) * t2 / t1),
            "high": float(share.high / (1 - share.high) * t2 / t1),
            "p": float(min(1.0, 2 * tails)),
        })
    return {"poisson": poisson, "binomial": binomial, "rates": rates}


def fisher():
    out = []
    for table in ([[4, 0], [0, 4]], [[3, 1], [1, 3]], [[8, 2], [1, 5]], [[5, 0], [40, 55]], [[1, 9], [30, 400]],
                  [[120, 80], [300, 500]]):
        odds = contingency.odds_ratio(table, kind="conditional").statistic
        out.append({
            "table": table,
            "greater": float(stats.fisher_exact(table, "greater").pvalue),
            "less": float(stats.fisher_exact(table, "less").pvalue),
            "two_sided": float(stats.fisher_exact(table, "two-sided").pvalue),
            "odds_ratio": None if math.isinf(odds) else float(odds),
        })
    return out


def multiple():
    p_values = rounded(GENERATOR.uniform(size=12) ** 3, 8)
    return {
        "p_values": p_values,
        **{m: [float(p) for p in multipletests(p_values, method=m)[1]] for m in ("bonferroni", "sidak", "holm")},
    }


def trends():
    nile = column("nile_1871_1970.csv", 1)
    out = []
    for name, values in [("nile", nile), ("first order 0.6", autocorrelated(80, 0.6)),
                         ("rise with ties", [round(0.2 * i + v) for i, v in enumerate(autocorrelated(50, 0.3))])]:
        plain = pymannkendall.original_test(values)
        wide = pymannkendall.hamed_rao_modification_test(values)
        slope = stats.theilslopes(values, numpy.arange(len(values)), 0.95)
        out.append({
            "name": name, "values": values,
            "s": int(plain.s), "variance": float(plain.var_s), "z": float(plain.z), "p": float(plain.p),
            "tau_b": float(stats.kendalltau(numpy.arange(len(values)), values).statistic),
            "hamed_rao_variance": float(wide.var_s), "hamed_rao_z": float(wide.z),
            "theil_sen": [float(slope.slope), float(slope.low_slope), float(slope.high_slope), float(slope.intercept)],
            "autocorrelations": [float(r) for r in acf(values, nlags=20, fft=False)],
        })
    return out


def lines():
    x = rounded(GENERATOR.uniform(0, 30, 25))
    y = rounded(1.5 - 0.2 * numpy.array(x) + GENERATOR.normal(0, 0.4, 25))
    fit = stats.linregress(x, y)
    return {"x": x, "y": y, "slope": float(fit.slope), "slope_error": float(fit.stderr),
            "intercept": float(fit.intercept), "intercept_error": float(fit.intercept_stderr),
            "r_squared": float(fit.rvalue ** 2)}


def settling():
    out = []
    for final, amplitude, tau, sigma in [(0.30, -0.05, 40.0, 0.002), (41.0, 18.0, 300.0, 0.3)]:
        times = rounded(numpy.linspace(5.0, 4 * tau, 90))
        curve = lambda t, f, a, k: f + a * numpy.exp(-t / k)
        values = rounded(curve(numpy.array(times), final, amplitude, tau) + GENERATOR.normal(0, sigma, 90), 8)
        best, covariance = curve_fit(curve, times, values, p0=(final, amplitude, tau), xtol=1e-14, ftol=1e-14, gtol=1e-14)
        out.append({"times": times, "values": values, "parameters": [float(b) for b in best],
                    "errors": [float(e) for e in numpy.sqrt(numpy.diag(covariance))]})
    return out


def equivalence():
    values = rounded(GENERATOR.normal(0.3, 1.0, 30))
    described = DescrStatsW(values)
    out = []
    for margin in (0.4, 0.8, 1.5):
        p, lower, upper = described.ttost_mean(-margin, margin)
        out.append({"difference": float(described.mean), "standard_error": float(described.std_mean),
                    "degrees_of_freedom": float(len(values) - 1), "margin": margin, "p": float(p),
                    "p_above_lower": float(lower[1]), "p_below_upper": float(upper[1])})
    return out


reference = {
    "made_with": {"python": platform.python_version(), "numpy": numpy.__version__, "scipy": scipy.__version__,
                  "statsmodels": statsmodels.__version__, "pymannkendall": pymannkendall.__version__},
    "lists": lists(),
    "distributions": distributions(),
    "counts": counts(),
    "fisher": fisher(),
    "multiple": multiple(),
    "trends": trends(),
    "line": lines(),
    "settling": settling(),
    "equivalence": equivalence(),
}
(DATA / "reference.json").write_text(json.dumps(reference, indent=1) + "\n")
