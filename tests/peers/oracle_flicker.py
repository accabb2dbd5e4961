"""Figures of waveforms, as an independent oracle.

Usage: oracle_flicker.py REQUEST.json > ANSWER.json

The request names a file of raw doubles and where each wave lies in it. Written
from the standards' texts with numpy's transforms and scipy's filters:

* lines: Hann window, zero padding to eight times the length, the peaks of the
  padded spectrum (no interpolation between bins by the window's shape);
* repetition: the first peak of the autocorrelation that is as high as the
  highest one, its place sharpened by the strongest line;
* depth: the extremes of the mean by phase, and of a smooth wave also those of
  the harmonics fitted by least squares;
* PstLM: second-order sections at the capture's own rate, never thinned.
"""

import json
import sys
from pathlib import Path

import numpy as np
from scipy import fft, signal, stats

PADDING = 8
FLOOR = 2e-4
# No wave of these tests has its strongest line above this.
LINES_TO_HZ = 5_000.0
DRIFT_AT_MOST = 0.002
SETTLE_S = 20.0
CUT_OFFS = (40, 90, 200, 400, 1000)


def percent(values):
    low, high = np.min(values), np.max(values)
    return 100.0 * (high - low) / (high + low)


def fitted_drift(x):
    """Change over the record by a line with Hann weights, over the mean."""
    n = len(x)
    t = np.arange(n) - n / 2.0
    # polyfit's weights multiply residuals, not their squares.
    slope, level = np.polyfit(t, x / x.mean(), 1, w=np.sqrt(signal.windows.hann(n, sym=False)))
    return slope * n, level + slope * t


def spectrum(light, rate):
    """Amplitudes of a padded Hann spectrum, and its step in Hz."""
    window = signal.windows.hann(len(light), sym=False)
    length = fft.next_fast_len(PADDING * len(light), real=True)
    bins = fft.rfft((light - light.mean()) * window, length)
    bins = bins[: int(LINES_TO_HZ * length / rate)]
    return 2.0 * np.abs(bins) / window.sum(), rate / length


def lines_of(light, rate):
    """(Hz, amplitude) of the peaks at least 1 Hz apart, strongest first."""
    amplitude, step = spectrum(light, rate)
    apart = max(1.0, 2.5 * rate / len(light))
    places, _ = signal.find_peaks(amplitude, height=FLOOR, distance=apart / step)
    places = places[places * step >= max(1.0, 2.0 * rate / len(light))]
    order = places[np.argsort(-amplitude[places])]
    if len(order) == 0:
        return np.empty((0, 2))
    a, b, c = amplitude[order - 1], amplitude[order], amplitude[order + 1]
    shift = 0.5 * (a - c) / (a - 2.0 * b + c)
    return np.column_stack([(order + shift) * step, b - 0.25 * (a - c) * shift])


def threshold(hz):
    """IEC TR 63158: amplitude at which a sine is just visible."""
    return 1.0 / (1.0 + np.exp(-0.00518 * (hz - 306.6))) + 20.0 * np.exp(-hz / 10.0)


def svm(lines, from_hz):
    hz, share = lines[(lines[:, 0] >= from_hz) & (lines[:, 0] <= 2_000.0)].T
    return float(np.sum((share / threshold(hz)) ** 3.7) ** (1.0 / 3.7))


def repetition(x, rate, strongest_hz):
    """Rate of repetition from the autocorrelation."""
    n = len(x)
    finer = 2
    length = fft.next_fast_len(2 * n, real=True)
    power = np.abs(fft.rfft(x - x.mean(), length)) ** 2
    lags = np.arange(finer * (n // 4))
    alike = fft.irfft(power, finer * length)[: len(lags)] / (n - lags / finer)
    peaks, _ = signal.find_peaks(alike)
    # The hill about no lag at all is no repetition.
    peaks = peaks[peaks > np.argmax(alike < 0.0)]
    high = peaks[alike[peaks] >= 0.92 * alike[peaks].max()]
    period = high[0] / finer / rate
    return strongest_hz / max(1.0, round(strongest_hz * period))


def harmonics(x, rate, hz):
    """The cycle of a smooth wave by least squares over its first harmonics."""
    orders = np.arange(1, int(min(8, 0.45 * rate / hz)) + 1)

    def basis(phase):
        turns = 2.0 * np.pi * np.outer(phase, orders)
        return np.hstack([np.ones((len(phase), 1)), np.cos(turns), np.sin(turns)])

    x = x[:20_000]
    of = basis(np.arange(len(x)) / rate * hz)
    fit = np.linalg.solve(of.T @ of, of.T @ x)
    return basis(np.arange(2_000) / 2_000) @ fit


def mean_cycle(x, rate, hz):
    """The mean by phase, a phase for each sample of a cycle, 64 at least."""
    phase = (np.arange(len(x)) / rate * hz + 1e-9) % 1.0
    bins = max(64, int(rate / hz + 1e-6))
    mean = stats.binned_statistic(phase, x, "mean", bins=bins, range=(0.0, 1.0)).statistic
    return mean[np.isfinite(mean)]


def whole_cycles(x, rate, hz):
    cycles = np.floor(len(x) * hz / rate + 1e-6)
    return x[: int(round(cycles * rate / hz))]


def limits(hz):
    """IEEE 1789-2015, 8.1.1: (low risk below, no observable effect below), in %."""
    if hz < 90.0:
        return 0.025 * hz, 0.01 * hz
    if hz <= 1_250.0:
        return 0.08 * hz, 0.0333 * hz
    return np.inf, 0.0333 * hz if hz <= 3_000.0 else np.inf


def rank(depth, hz):
    low, none = limits(hz)
    return 0 if depth < none else 1 if depth < low else 2


def word(points):
    """The worst class of (depth, Hz); None where 1 % more or less alters it or a
    frequency lies on an edge of the limits."""
    points = np.atleast_2d(points)
    if np.min(np.abs(points[:, 1:] - np.array([90.0, 1_250.0, 3_000.0]))) < 0.2:
        return None
    ranks = {max(rank(f * depth, hz) for depth, hz in points) for f in (0.99, 1.0, 1.01)}
    return ["no_observable_effect", "low_risk", "high_risk"][ranks.pop()] if len(ranks) == 1 else None


def mean_light(x, rate, hz):
    """The mean of whole cycles; where there are none, with Hann weights. A part
    of a cycle would move it by up to half a cycle's worth: 2.6 % for pulses of
    20 % in 30.2 cycles."""
    if hz is not None:
        return whole_cycles(x, rate, hz).mean()
    return np.average(x, weights=signal.windows.hann(len(x), sym=False))


def filtered(x, rate):
    """JA10: everything above the cut-off set to zero, over the whole record."""
    bins, hz = fft.rfft(x), fft.rfftfreq(len(x), 1.0 / rate)
    return {f"ja10_{cut}": percent(fft.irfft(np.where(hz <= cut * (1 + 1e-9), bins, 0.0), len(x)))
            for cut in CUT_OFFS}


def waveform(x, rate, wave):
    drift, line = fitted_drift(x)
    figures = {"drift_percent": 100.0 * drift, "percent_flicker_raw": percent(x)}
    if rate >= 20_000 and len(x) >= rate:
        figures |= filtered(x, rate)
    if abs(drift) > DRIFT_AT_MOST:
        x = x / line
    lines = lines_of(x / x.mean(), rate)
    hz = repetition(x, rate, lines[0, 0]) if wave["repeats"] else None
    lines[:, 1] *= x.mean() / mean_light(x, rate, hz)
    figures |= {"svm": svm(lines, 1.0), "svm_from_80_hz": svm(lines, 80.0)}
    if wave["flat"]:
        return figures
    strongest = lines[0, 0]
    figures |= {"dominant_hz": strongest, "low_risk_below_percent": limits(strongest)[0]}
    figures["lines"] = [list(line) for line in lines[:3] if line[1] > 0.2 * lines[0, 1]]
    if not wave["repeats"]:
        depth = percent(x)
        figures |= {"percent_flicker": depth, "ieee_simple": word([depth, strongest])}
    else:
        depth = percent(mean_cycle(x, rate, hz))
        cut = whole_cycles(x, rate, hz)
        figures |= {
            "fundamental_hz": hz,
            "percent_flicker": depth,
            "flicker_index": np.maximum(cut - cut.mean(), 0.0).sum() / cut.sum(),
            "ieee_simple": word([depth, strongest]),
            "ieee_strict": word([depth, hz]),
        }
        if wave["smooth"]:
            figures["percent_by_harmonics"] = percent(harmonics(x, rate, hz))
        if wave["two_levels"]:
            figures["duty"] = np.mean(cut > (x.min() + x.max()) / 2.0)
    if not wave["noisy"]:
        figures["ieee_worst"] = word(np.vstack([[depth, strongest], lines[:, ::-1] * [100.0, 1.0]]))
    return figures


def severity_chain(rate):
    """IEC TR 61547-1, A.2.3: sections at this rate, and the smoothing."""
    sections = [signal.butter(1, 0.05, "highpass", fs=rate, output="sos"),
                signal.butter(6, 35.0, "lowpass", fs=rate, output="sos")]
    zeros, poles, gain = signal.tf2zpk([0.041661, 44.758, 2715.6, 29839.0, 0.0],
                                       [1.0, 196.32, 11781.0, 534820.0, 3505380.0])
    sections.append(signal.zpk2sos(*signal.bilinear_zpk(zeros, poles, gain, rate)))
    smoothing = signal.tf2sos(*signal.bilinear([1.0], [0.300, 1.0], rate))
    return np.vstack(sections), smoothing


def severity(x, rate):
    sections, smoothing = severity_chain(rate)
    # A.2.4: the largest Pinst of 0.630 % peak to peak at 8.8 Hz is one.
    gain = abs(signal.sosfreqz(sections, [8.8], fs=rate)[1][0])
    ripple = abs(signal.sosfreqz(smoothing, [17.6], fs=rate)[1][0])
    scale = 2.0 / ((0.00315 * gain) ** 2 * (1.0 + ripple))
    weighted = signal.sosfilt(sections, x / x.mean() - 1.0)
    flicker = scale * signal.sosfilt(smoothing, weighted**2)[int(round(SETTLE_S * rate)):]

    def level(*shares):
        return np.mean(np.percentile(flicker, [100.0 - share for share in shares]))

    squared = (0.0314 * level(0.1) + 0.0525 * level(0.7, 1.0, 1.5) + 0.0657 * level(2.2, 3.0, 4.0)
               + 0.28 * level(6.0, 8.0, 10.0, 13.0, 17.0) + 0.08 * level(30.0, 50.0, 80.0))
    return {"pst_lm": np.sqrt(max(squared, 0.0)), "largest": flicker.max()}


def plain(value):
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not np.isfinite(value) else value


def main():
    request = json.loads(Path(sys.argv[1]).read_text())
    every = np.memmap(request["file"], dtype="<f8", mode="r")
    answers = []
    for wave in request["waves"]:
        x = np.array(every[wave["from"]: wave["from"] + wave["n"]])
        of = severity(x, wave["rate_hz"]) if request["severity"] else waveform(x, wave["rate_hz"], wave)
        answers.append({name: plain(value) for name, value in of.items()})
    json.dump({"waves": answers}, sys.stdout)


if __name__ == "__main__":
    main()
