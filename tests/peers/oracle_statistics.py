"""Statistics, as an independent oracle: scipy.stats and numpy.

Usage: oracle_statistics.py REQUEST.json > ANSWER.json

Each case names its kind; each kind is a function below.
"""

import json
import sys
from pathlib import Path

import numpy as np
from scipy import optimize, stats


def coverage(case):
    return {"coverage_factor": stats.t.ppf((1.0 + case["level"]) / 2.0, case["dof"])}


def budget(case):
    """JCGM 100:2008, 5.1.2 and G.4.1, for sources that are all different."""
    u = np.array(case["u"])
    dof = np.array([np.inf if dof is None else dof for dof in case["dof"]])
    combined = np.sqrt(np.sum(u**2))
    # Terms without a limit to their freedom add nothing to the sum.
    return {"combined": combined, "effective_dof": combined**4 / np.sum(u**4 / dof)}


def compare(case):
    """Welch's test and two one-sided ones (Schuirmann) on the logarithms."""
    before, after = np.log(case["before"]), np.log(case["after"])
    reach = -np.log(1.0 - case["margin"])
    welch = stats.ttest_ind(after, before, equal_var=False)
    interval = welch.confidence_interval(0.90)
    low = stats.ttest_ind(after + reach, before, equal_var=False, alternative="greater")
    high = stats.ttest_ind(after - reach, before, equal_var=False, alternative="less")
    pooled = stats.ttest_ind(after, before)
    p_equivalence = max(low.pvalue, high.pvalue)
    return {
        "ratio": stats.gmean(case["after"]) / stats.gmean(case["before"]),
        "welch_t": welch.statistic, "welch_dof": welch.df, "welch_p": welch.pvalue,
        "pooled_t": pooled.statistic, "pooled_p": pooled.pvalue,
        "low": np.exp(interval.low), "high": np.exp(interval.high),
        "p_equivalence": p_equivalence,
        "change": {(True, False): "unchanged", (True, True): "changed within margin",
                   (False, True): "changed", (False, False): "undecided"}[
                       (bool(p_equivalence < 0.05), bool(welch.pvalue < 0.05))],
    }


def adjusted(case):
    """Benjamini-Hochberg by scipy; Holm by its definition: step down, the
    largest so far of (m - rank) p."""
    p = np.array(case["p"])
    order = np.argsort(p, kind="stable")
    holm = np.empty_like(p)
    holm[order] = np.minimum(1.0, np.maximum.accumulate((len(p) - np.arange(len(p))) * p[order]))
    return {"holm": list(holm), "benjamini_hochberg": list(stats.false_discovery_control(p))}


def grubbs(case):
    """NIST/SEMATECH e-Handbook, 1.3.5.17.1."""
    values = np.array(case["values"])
    n = len(values)

    def critical(tail):
        t = stats.t.isf(tail, n - 2)
        return (n - 1) / np.sqrt(n) * np.sqrt(t**2 / (n - 2 + t**2))

    return {"grubbs_g": np.max(np.abs(stats.zscore(values, ddof=1))),
            "grubbs_two_sided": critical(case["alpha"] / (2 * n)),
            "grubbs_one_sided": critical(case["alpha"] / n)}


def line(case):
    """Weighted least squares; polyfit's weights are the square roots."""
    x, y, w = (np.array(case[key]) for key in ("x", "y", "weight"))
    (slope, at_zero), covariance = np.polyfit(x, y, 1, w=np.sqrt(w), cov=True)
    slope_sd, at_zero_sd = np.sqrt(np.diag(covariance))
    rest = np.sum(w * (y - at_zero - slope * x) ** 2)
    whole = np.sum(w * (y - np.average(y, weights=w)) ** 2)
    at = np.array([case["at"], 1.0])
    return {"slope": slope, "at_zero": at_zero, "slope_sd": slope_sd, "at_zero_sd": at_zero_sd,
            "correlation": covariance[0, 1] / (slope_sd * at_zero_sd),
            "residual_sd": np.sqrt(rest / (len(x) - 2)), "r_squared": 1.0 - rest / whole,
            "prediction": at @ [slope, at_zero], "prediction_sd": np.sqrt(at @ covariance @ at)}


def plain_line(case):
    fit = stats.linregress(case["x"], case["y"])
    return {"plain_slope": fit.slope, "plain_at_zero": fit.intercept, "plain_slope_sd": fit.stderr}


def isotonic(case):
    return {"rising": list(optimize.isotonic_regression(case["values"]).x)}


def summary(case):
    """Moments and robust location; Huber's as the root of its equation."""
    values = np.array(case["values"])
    mad = stats.median_abs_deviation(values) * 1.4826
    reach = 1.5 * mad
    huber = optimize.brentq(lambda m: np.sum(np.clip(values - m, -reach, reach)),
                            values.min(), values.max(), xtol=1e-14, rtol=1e-14)
    away = values - values.mean()
    return {"mean": values.mean(), "sd": values.std(ddof=1), "standard_error": stats.sem(values),
            "median": np.median(values), "mad_scaled": mad, "huber": huber,
            "lag_one": np.sum(away[1:] * away[:-1]) / np.sum(away**2)}


def variance(case):
    groups = case["groups"]
    f = stats.f_oneway(*groups)
    return {"f": f.statistic}


def conformance(case):
    """JCGM 106:2012, 7.3 and 7.4."""
    truth = stats.norm(case["value"], case["u"])
    low, high = case["low"], case["high"]
    return {"between": truth.cdf(high) - truth.cdf(low), "at_most": truth.cdf(high),
            "at_least": truth.sf(low)}


KINDS = {kind.__name__: kind for kind in
         (coverage, budget, compare, adjusted, grubbs, line, plain_line, isotonic, summary,
          variance, conformance)}


def plain(value):
    if isinstance(value, list):
        return [plain(one) for one in value]
    if isinstance(value, str):
        return value
    return float(value) if np.isfinite(value) else None


def main():
    cases = json.loads(Path(sys.argv[1]).read_text())["cases"]
    answers = [{name: plain(value) for name, value in KINDS[case["kind"]](case).items()}
               for case in cases]
    json.dump({"cases": answers}, sys.stdout)


if __name__ == "__main__":
    main()
