"""How long numpy, scipy and colour-science take for the same data.

Usage: timing.py REQUEST.json > SECONDS.json

Each is the best of several runs of the best plain way that is known: windows,
filters and tables are made beforehand, the transforms are real ones, PstLM is
decimated to 2 kS/s first. Reading the data is not timed.
"""

import json
import sys
import time
from pathlib import Path

import colour
import numpy as np
from scipy import fft, signal

import oracle_colour
import oracle_flicker

THIN_RATE_HZ = 2_000


def best(rounds, act):
    seconds = []
    for _ in range(rounds):
        begun = time.perf_counter()
        act()
        seconds.append(time.perf_counter() - begun)
    return min(seconds)


def spectra(request):
    nm, values = request["nm"], request["values"]
    sd = colour.SpectralDistribution(dict(zip(nm, values)))
    grid, power = np.array(nm), np.array(values)

    def integrate(ordinates):
        return np.trapezoid(ordinates, grid, axis=-1)

    def temperature_and_ra():
        xyz = colour.sd_to_XYZ(sd.values, shape=sd.shape, method="Integration")
        colour.temperature.uv_to_CCT_Ohno2013(oracle_colour.uv_of(xyz), start=1_000, end=25_000)
        colour.colour_rendering_index(sd, additional_data=True)
        return xyz

    def everything():
        xyz = temperature_and_ra()
        colour.colour_fidelity_index(sd, additional_data=True, method="ANSI/IES TM-30-18")
        oracle_colour.receptors(grid, power, integrate, xyz[1])

    return {"spectrum: CCT, Duv, Ra": best(request["rounds"], temperature_and_ra),
            "spectrum: every figure": best(request["rounds"], everything)}


def flicker_set(x, rate):
    """Percent, index, Hann spectrum, strongest line, SVM."""
    n = len(x)
    window = signal.windows.hann(n, sym=False)
    hz = fft.rfftfreq(n, 1.0 / rate)
    to = int(np.searchsorted(hz, 2_000.0, side="right"))
    weight = 1.0 / oracle_flicker.threshold(hz[1:to])

    def act():
        mean = x.mean()
        percent = 100.0 * np.ptp(x) / (x.max() + x.min())
        index = np.maximum(x - mean, 0.0).sum() / x.sum()
        share = np.abs(fft.rfft((x - mean) * window)) * (4.0 / n / mean)
        fundamental = hz[np.argmax(share)]
        low = share[:to]
        peak = np.flatnonzero((low[1:-1] > low[:-2]) & (low[1:-1] >= low[2:]) & (low[1:-1] > 2e-4))
        visible = np.sum((low[peak + 1] * weight[peak]) ** 3.7) ** (1.0 / 3.7)
        return percent, index, fundamental, visible

    return act


def severity_set(x, rate):
    """PstLM, thinned first by scipy's polyphase filter."""
    factor = int(rate // THIN_RATE_HZ)
    thin_rate = rate / factor
    sections, smoothing = oracle_flicker.severity_chain(thin_rate)
    taps = signal.firwin(20 * factor + 1, 1.0 / factor)
    gain = abs(signal.sosfreqz(sections, [8.8], fs=thin_rate)[1][0])
    ripple = abs(signal.sosfreqz(smoothing, [17.6], fs=thin_rate)[1][0])
    scale = 2.0 / ((0.00315 * gain) ** 2 * (1.0 + ripple))
    shares = [0.1, 0.7, 1, 1.5, 2.2, 3, 4, 6, 8, 10, 13, 17, 30, 50, 80]
    weights = np.repeat([0.0314, 0.0525 / 3, 0.0657 / 3, 0.28 / 5, 0.08 / 3], [1, 3, 3, 5, 3])

    def act():
        thin = signal.upfirdn(taps, x / x.mean() - 1.0, 1, factor)
        weighted = signal.sosfilt(sections, thin)
        flicker = scale * signal.sosfilt(smoothing, weighted * weighted)[int(20 * thin_rate):]
        levels = np.percentile(flicker, [100.0 - share for share in shares])
        return np.sqrt(weights @ levels)

    return act


def main():
    request = json.loads(Path(sys.argv[1]).read_text())
    seconds = spectra(request["spectrum"])
    every = np.memmap(request["file"], dtype="<f8", mode="r")
    for wave in request["waves"]:
        x = np.array(every[wave["from"]: wave["from"] + wave["n"]])
        make = severity_set if wave["severity"] else flicker_set
        seconds[wave["name"]] = best(wave["rounds"], make(x, wave["rate_hz"]))
        if not wave["severity"]:
            both = (make(x, wave["rate_hz"]),
                    lambda x=x, rate=wave["rate_hz"]: oracle_flicker.filtered(x, rate))
            seconds[f"{wave['name']}, with JA10"] = best(
                wave["rounds"], lambda both=both: [act() for act in both])
    json.dump(seconds, sys.stdout)


if __name__ == "__main__":
    main()
