"""Figures of spectra, as an independent oracle.

Usage: oracle_colour.py REQUEST.json > ANSWER.json

Two ways side by side:

* by the definition: the standards' formulas over numpy integrals on the
  spectrum's own grid, with the tables, the appearance model and the daylight
  locus of colour-science and the nearest point of the Planckian locus found by
  scipy's bounded search;
* `library_*`: what colour-science's own functions say, for the regular grids
  that they take.

Nothing here was copied from the program that it checks. The one table that no
library carries, the melanopic weighting, is read from the CIE's file.
"""

import json
import sys
import warnings
from pathlib import Path

import colour
import numpy as np
from colour.colorimetry.datasets.illuminants import (
    SDS_BASIS_FUNCTIONS_CIE_ILLUMINANT_D_SERIES as DAYLIGHT_BASIS,
)
from colour.quality.cfi2017 import load_TCS_CIE2017
from scipy.optimize import minimize_scalar

warnings.simplefilter("ignore")
colour.utilities.filter_warnings(True)

FROM_NM, TO_NM = 380.0, 780.0
KM, KM_SCOTOPIC = 683.002, 1700.05
C2 = 1.4388e-2
DUV_AT_MOST = 0.05
# CIE S 026:2018, 1 nm, in mW/lm.
D65 = {"s_cone": 0.817289, "m_cone": 1.455825, "l_cone": 1.628907,
       "rhodopic": 1.449703, "melanopic": 1.326212}
# IEC 62471:2006, Table 4.2, every 5 nm from 380 to 500 nm.
BLUE = [0.01, 0.013, 0.025, 0.05, 0.1, 0.2, 0.4, 0.8, 0.9, 0.95, 0.98, 1.0, 1.0,
        0.97, 0.94, 0.9, 0.8, 0.7, 0.62, 0.55, 0.45, 0.4, 0.22, 0.16, 0.1]

_CMFS = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
_CMFS_10 = colour.MSDS_CMFS["CIE 1964 10 Degree Standard Observer"]
_CONES = colour.MSDS_CMFS["Stockman & Sharpe 10 Degree Cone Fundamentals"]
_RODS = colour.colorimetry.SDS_LEFS_SCOTOPIC["CIE 1951 Scotopic Standard Observer"]
_TCS = colour.quality.SDS_TCS["CIE 1995"]
_TCS_VALUES = np.array([sd.values for sd in list(_TCS.values())[:14]])
_TCS_NM = list(_TCS.values())[0].wavelengths
_CES = load_TCS_CIE2017(colour.SpectralShape(380, 780, 1))
_BASIS = [DAYLIGHT_BASIS[name] for name in ("S0", "S1", "S2")]


def columns(nm, table_nm, values):
    """Columns of a table at these wavelengths, zero outside."""
    return np.array([np.interp(nm, table_nm, column, left=0.0, right=0.0)
                     for column in np.asarray(values).T])


def melanopic_table():
    path = (Path(__file__).resolve().parents[2]
            / "daemon/photometry/tables/cie_s026_alpha_opic_1nm.csv")
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    at = lines[0].split(",").index(next(c for c in lines[0].split(",") if "mel" in c))
    rows = np.array([[float(v) for v in line.split(",")] for line in lines[1:]])
    return rows[:, 0], rows[:, at]


_MELANOPIC = melanopic_table()


def within(nm, values):
    """380 to 780 nm, one linear sample at an edge that the grid steps over."""
    edges = [edge for edge in (FROM_NM, TO_NM) if nm[0] < edge < nm[-1]]
    grid = np.union1d(nm, edges)
    grid = grid[(grid >= FROM_NM) & (grid <= TO_NM)]
    return grid, np.interp(grid, nm, values)


def planck(nm, kelvin):
    metres = nm * 1e-9
    return metres**-5 / np.expm1(C2 / (metres * kelvin)) * 1e-35


def locus(kelvin):
    nm = _CMFS.wavelengths
    return uv_of(planck(nm, kelvin) @ _CMFS.values)


def uv_of(xyz):
    """CIE 1960 u, v of tristimulus values."""
    return colour.UCS_to_uv(colour.XYZ_to_UCS(xyz))


_COARSE_K = 1e6 / np.arange(25.0, 1_150.0, 2.0)
_COARSE_UV = np.array([locus(kelvin) for kelvin in _COARSE_K])


def nearest_temperature(uv):
    """CIE 015:2018, 9.4: the temperature of the nearest point of the locus."""
    at = int(np.argmin(np.hypot(*(_COARSE_UV - uv).T)))
    mired = 1e6 / _COARSE_K[at]
    found = minimize_scalar(lambda m: np.hypot(*(locus(1e6 / m) - uv)),
                            bounds=(mired - 2.5, mired + 2.5), method="bounded",
                            options={"xatol": 1e-7})
    kelvin = 1e6 / found.x
    duv = found.fun if uv[1] > locus(kelvin)[1] else -found.fun
    if found.fun > DUV_AT_MOST or not 1_000.0 <= kelvin <= 25_000.0:
        return None, duv
    return kelvin, duv


def daylight(nm, kelvin):
    """CIE 015:2018, 4.1.2, with unrounded M1 and M2."""
    x, y = colour.temperature.CCT_to_xy_CIE_D(kelvin)
    m = 0.0241 + 0.2562 * x - 0.7341 * y
    m1 = (-1.3515 - 1.7703 * x + 5.9114 * y) / m
    m2 = (0.0300 - 31.4424 * x + 30.0717 * y) / m
    s0, s1, s2 = [np.interp(nm, sd.wavelengths, sd.values) for sd in _BASIS]
    return s0 + m1 * s1 + m2 * s2


def rendering(nm, power, kelvin, integrate):
    """CIE 13.3-1995, unrounded: Ra and R1 to R14."""
    cmfs = columns(nm, _CMFS.wavelengths, _CMFS.values)
    reflected = columns(nm, _TCS_NM, _TCS_VALUES.T)
    reference = planck(nm, kelvin) if kelvin < 5_000.0 else daylight(nm, kelvin)

    def seen(light):
        white = integrate(cmfs * light)
        samples = integrate(reflected[:, None, :] * cmfs[None, :, :] * light)
        return uv_of(white), uv_of(samples), 100.0 * samples[:, 1] / white[1]

    def c_d(uv):
        u, v = uv[..., 0], uv[..., 1]
        return (4.0 - u - 10.0 * v) / v, (1.708 * v + 0.404 - 1.481 * u) / v

    white_k, uv_k, y_k = seen(power)
    white_r, uv_r, y_r = seen(reference)
    (c, d), (c_k, d_k), (c_r, d_r) = c_d(uv_k), c_d(white_k), c_d(white_r)
    c, d = c * c_r / c_k, d * d_r / d_k
    bottom = 16.518 + 1.481 * c - d
    adapted = np.stack([(10.872 + 0.404 * c - 4.0 * d) / bottom, 5.520 / bottom], axis=-1)

    def uvw(uv, y):
        w = 25.0 * np.cbrt(y) - 17.0
        return np.stack([13.0 * w * (uv[:, 0] - white_r[0]),
                         13.0 * w * (uv[:, 1] - white_r[1]), w], axis=-1)

    far = np.linalg.norm(uvw(adapted, y_k) - uvw(uv_r, y_r), axis=1)
    special = 100.0 - 4.6 * far
    return {"ra": special[:8].mean(), **{f"r{i + 1}": r for i, r in enumerate(special)}}


def fidelity(nm, power, kelvin, integrate):
    """CIE 224:2017 and ANSI/IES TM-30-18: Rf and Rg."""
    cmfs = columns(nm, _CMFS_10.wavelengths, _CMFS_10.values)
    reflected = columns(nm, _CES.wavelengths, _CES.values)

    def unit(light):
        return light / integrate(cmfs[1] * light)

    share = np.clip((kelvin - 4_000.0) / 1_000.0, 0.0, 1.0)
    reference = np.zeros_like(nm)
    if share < 1.0:
        reference += (1.0 - share) * unit(planck(nm, kelvin))
    if share > 0.0:
        reference += share * unit(daylight(nm, kelvin))

    def appearance(light):
        light = 100.0 * unit(light)
        white = integrate(cmfs * light)
        samples = integrate(reflected[:, None, :] * cmfs[None, :, :] * light)
        seen = colour.XYZ_to_CIECAM02(
            samples, white, L_A=100.0, Y_b=20.0,
            surround=colour.VIEWING_CONDITIONS_CIECAM02["Average"],
            discount_illuminant=True, compute_H=False)
        return colour.JMh_CIECAM02_to_CAM02UCS(np.stack([seen.J, seen.M, seen.h], axis=-1))

    test, under_reference = appearance(power), appearance(reference)
    mean = np.linalg.norm(test - under_reference, axis=1).mean()
    rf = min(100.0, 10.0 * np.log1p(np.exp((100.0 - 6.73 * mean) / 10.0)))
    hue = np.degrees(np.arctan2(under_reference[:, 2], under_reference[:, 1])) % 360.0
    bins = (hue // 22.5).astype(int)
    edge = np.min(np.abs((hue + 11.25) % 22.5 - 11.25))
    if len(set(bins)) < 16:
        return {"rf": rf, "rg": None, "hue_edge_degrees": edge}

    def area(points):
        a, b = np.array([points[bins == bin, 1:].mean(axis=0) for bin in range(16)]).T
        return 0.5 * abs(np.sum(a * np.roll(b, -1) - np.roll(a, -1) * b))

    return {"rf": rf, "rg": 100.0 * area(test) / area(under_reference),
            "hue_edge_degrees": edge}


def blue_weight(nm):
    table = np.interp(nm, np.arange(380.0, 501.0, 5.0), BLUE)
    tail = np.where(nm <= 600.0, 10.0 ** ((450.0 - nm) / 50.0), 0.001)
    return np.where(nm <= 500.0, table, np.where(nm <= 700.0, tail, 0.0))


def receptors(nm, power, integrate, light):
    # CIE S 026 prints zeros from 380 to 389 nm; the library begins at 390 nm.
    cones = columns(nm, np.append(np.arange(380.0, 390.0), _CONES.wavelengths),
                    np.vstack([np.zeros((10, 3)), _CONES.values]))
    weights = {"l_cone": cones[0], "m_cone": cones[1], "s_cone": cones[2],
               "rhodopic": np.interp(nm, _RODS.wavelengths, _RODS.values),
               "melanopic": np.interp(nm, *_MELANOPIC)}
    figures = {}
    for name, weight in weights.items():
        received = 1_000.0 * integrate(weight * power)
        der = received / light / D65[name]
        figures |= {f"{name}_der": der, f"{name}_edi_lx": received / D65[name],
                    f"{name}_elr_mw_per_lm": received / light,
                    f"{name}_irradiance_mw_per_m2": received}
        if name == "melanopic":
            figures["melanopic_edi_per_100_lx"] = 100.0 * der
    figures["sp_ratio"] = KM_SCOTOPIC * integrate(weights["rhodopic"] * power) / light
    blue = 1_000.0 * integrate(blue_weight(nm) * power)
    figures["blue_light_irradiance_mw_per_m2"] = blue
    figures["blue_light_mw_per_lm"] = blue / light
    figures["small_source_lx"] = light / (blue / 1_000.0)
    return figures


def by_definition(nm, values):
    nm, power = within(np.asarray(nm), np.asarray(values))

    def integrate(ordinates):
        return np.trapezoid(ordinates, nm, axis=-1)

    xyz = integrate(columns(nm, _CMFS.wavelengths, _CMFS.values) * power)
    x, y = colour.XYZ_to_xy(xyz)
    uv = uv_of(xyz)
    light = KM * xyz[1]
    watts = integrate(power)
    kelvin, duv = nearest_temperature(uv)
    figures = {"x": x, "y": y, "u_prime": uv[0], "v_prime": 1.5 * uv[1],
               "illuminance_lx": light, "irradiance_w_per_m2": watts,
               "ler_lm_per_w": light / watts, "nearest_duv": duv}
    figures |= receptors(nm, power, integrate, light)
    if kelvin is None:
        return figures | dict.fromkeys(["cct_k", "duv", "ra", "rf", "rg"])
    figures |= {"cct_k": kelvin, "duv": duv}
    figures |= rendering(nm, power, kelvin, integrate)
    return figures | fidelity(nm, power, kelvin, integrate)


def by_library(nm, values):
    """What colour-science says where its methods reach."""
    sd = colour.SpectralDistribution(dict(zip(nm, values)))
    # By values and shape: given as an object, the library would go on to 360 nm
    # at the level of 380 nm, which makes blue light bluer (42 K at 18600 K).
    xyz = colour.sd_to_XYZ(sd.values, shape=sd.shape, method="Integration")
    kelvin, duv = colour.temperature.uv_to_CCT_Ohno2013(uv_of(xyz), start=1_000, end=25_000)
    figures = {"library_cct_k": kelvin, "library_duv": duv}
    quality = colour.colour_rendering_index(sd, additional_data=True)
    figures["library_ra"] = quality.Q_a
    for number, sample in quality.Q_as.items():
        figures[f"library_r{number}"] = sample.Q_a
    quality = colour.colour_fidelity_index(
        sd, additional_data=True, method="ANSI/IES TM-30-18")
    figures |= {"library_rf": min(100.0, quality.R_f), "library_rg": quality.R_g}
    figures["library_ler_lm_per_w"] = colour.luminous_efficacy(sd)
    return figures


def main():
    request = json.loads(Path(sys.argv[1]).read_text())
    answers = []
    for spectrum in request["spectra"]:
        figures = by_definition(spectrum["nm"], spectrum["values"])
        if spectrum["regular"] and figures["cct_k"] is not None:
            figures |= by_library(spectrum["nm"], spectrum["values"])
        answers.append({name: None if value is None or not np.isfinite(value)
                        else float(value) for name, value in figures.items()})
    json.dump({"spectra": answers}, sys.stdout)


if __name__ == "__main__":
    main()
