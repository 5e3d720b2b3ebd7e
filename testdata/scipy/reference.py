"""Spectrum, peak and fit of a dozen fixed signals by SciPy, as a reference for the estimator.

Writes reference.json beside this script:

    python3 testdata/scipy/reference.py

A signal is a list of lines a exp(-alpha t) cos(2 pi f t + phi) and noise from a congruential
generator, rounded to 16 bits, so that another program can make the very same samples from
what the JSON says of it (their CRC-32 is there to prove it). The fit minimises the same sum of
squares as the estimator, but in another way: every amplitude is a parameter like the others, the
model is transformed numerically from the time domain, and derivatives are differences.
"""

import json
import math
import pathlib
import zlib

import numpy as np
from scipy import fft, optimize, signal

RATE = 8000
HALF_BAND = 25  # Hz: bins on either side of the centre that the fit sees


def noise(seed, n):
    """Sums of four uniform numbers of a 32-bit congruential generator (Numerical Recipes, from memory)."""
    out = np.empty(n)
    for i in range(n):
        total = 0
        for _ in range(4):
            seed = (1664525 * seed + 1013904223) % 2**32
            total += seed
        out[i] = total / 2**32 - 2
    return out


def samples(case):
    t = np.arange(case["n"]) / RATE
    y = case["noise"] * noise(case["seed"], case["n"])
    for a, hz, alpha, phase in case["lines"]:
        y += a * np.exp(-alpha * t) * np.cos(2 * math.pi * hz * t + phase)
    return np.round(32768 * y).astype("<i2")


def padded(n):
    """The length to which n samples are filled up with zeros."""
    return 1 << (n - 1).bit_length()


def peak(x):
    """The strongest bin of a Hann periodogram, its neighbours, and the top of the parabola through their logarithms."""
    hz, power = signal.periodogram(x, RATE, window="hann", detrend=False, nfft=padded(len(x)))
    k = int(np.argmax(power))
    a, b, _ = np.polyfit([-1, 0, 1], np.log(power[k - 1 : k + 2]), 2)
    return {"bin": k, "density": power[k - 1 : k + 2].tolist(), "shift": -b / (2 * a)}


def fit(x, case):
    """Least squares on the bins about the centre; sd from the curvature and the residual's own variance."""
    n = case["n"]
    t = np.arange(n) / RATE
    centre = round(case["centre_hz"] * n / RATE)
    half = HALF_BAND * n // RATE
    bins = slice(centre - half, centre + half + 1)
    data = fft.fft(x)[bins]
    damped = [l for l in case["lines"] if l[2] > 0]
    steady = [l for l in case["lines"] if l[2] == 0]

    def model(p):
        y = np.zeros(n, complex)
        for hz, alpha, re, im in p[: 4 * len(damped)].reshape(-1, 4):
            y += complex(re, im) * np.exp((-alpha + 2j * math.pi * hz) * t)
        for hz, re, im in p[4 * len(damped) :].reshape(-1, 3):
            y += complex(re, im) * np.exp(2j * math.pi * hz * t)
        return fft.fft(y)[bins]

    def residual(p):
        r = data - model(p)
        return np.concatenate([r.real, r.imag])

    start = []
    for a, hz, alpha, phase in damped:
        start += [hz + 0.02, 1.05 * alpha, a / 2 * math.cos(phase), a / 2 * math.sin(phase)]
    for a, hz, _, phase in steady:
        start += [hz - 0.01, a / 2 * math.cos(phase), a / 2 * math.sin(phase)]
    best = optimize.least_squares(residual, start, jac="3-point", x_scale="jac", xtol=1e-14, ftol=1e-14, gtol=1e-14, max_nfev=400)
    free = 2 * len(data) - len(start)
    variance = 2 * best.cost / free
    sd = np.sqrt(np.diag(np.linalg.inv(best.jac.T @ best.jac)) * variance)
    out = {"damped": [], "steady": [], "noise_power": 2 * variance}
    for m in range(len(damped)):
        hz, alpha = best.x[4 * m : 4 * m + 2]
        out["damped"].append({"hz": hz, "alpha": alpha, "hz_sd": sd[4 * m], "alpha_sd": sd[4 * m + 1],
                              "amplitude": 2 * math.hypot(*best.x[4 * m + 2 : 4 * m + 4])})
    for m in range(len(steady)):
        at = 4 * len(damped) + 3 * m
        out["steady"].append({"hz": best.x[at], "hz_sd": sd[at]})
    return out


def cases():
    """Invented signals: [amplitude, Hz, 1/s, rad] per line; a line with 0 1/s is hum."""
    def case(name, lines, noise, n=16000, centre=None):
        return {"name": name, "rate": RATE, "n": n, "centre_hz": centre or round(lines[0][1]), "lines": lines, "noise": noise}

    ring = [0.25, 131.37, 2.1, 0.4]
    yield case("one line", [ring], 0.002)
    yield case("one line in much noise", [ring], 0.3)
    yield case("one decay time long", [ring], 0.01, n=4000)
    yield case("dull", [[0.4, 97.2, 15.0, 2.0]], 0.004)
    yield case("glassy", [[0.2, 188.81, 0.6, -1.2]], 0.004, n=20000)
    yield case("high partial", [[0.1, 1203.4, 21.0, 0.0]], 0.002, n=9000)
    yield case("pair 3 Hz apart", [ring, [0.15, 134.4, 2.4, 1.9]], 0.01)
    yield case("pair 1 Hz apart", [ring, [0.2, 132.4, 2.2, -2.5]], 0.003)
    yield case("three lines", [ring, [0.1, 137.0, 3.0, 0.0], [0.05, 124.2, 2.5, 1.0]], 0.01)
    yield case("hum beside it", [ring, [0.05, 130.9, 0.0, 1.0]], 0.01)
    yield case("hum as loud as it", [[0.2, 121.0, 2.0, 0.4], [0.2, 120.02, 0.0, -1.0]], 0.02)
    yield case("pair and hum", [ring, [0.12, 133.1, 2.4, 0.9], [0.03, 120.0, 0.0, 2.2]], 0.004)


def main():
    out = []
    for seed, case in enumerate(cases(), 1):
        case["seed"] = seed
        ints = samples(case)
        x = ints / 32768
        n = padded(len(x))
        at = [round(l[1] * n / RATE) for l in case["lines"]] + [7, n // 3]
        coefficients = fft.rfft(x, n)
        want = {
            "crc32": zlib.crc32(ints.tobytes()),
            "transform": [{"bin": k, "re": coefficients[k].real, "im": coefficients[k].imag} for k in at],
            "peak": peak(x),
            "fit": fit(x, case),
        }
        # 9 digits, fewer than the last that may differ between machines
        out.append({**case, "want": json.loads(json.dumps(want), parse_float=lambda s: float(f"{float(s):.9g}"))})
    pathlib.Path(__file__).with_suffix(".json").write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
