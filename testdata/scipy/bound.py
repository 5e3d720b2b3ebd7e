"""How far SciPy's least squares scatters on one damped line in white noise: the Cramer-Rao bound by trial.

Writes bound.json beside this script:

    python3 testdata/scipy/bound.py

Each trial fits frequency, decay rate and complex amplitude of a exp((-alpha + 2 pi i f) t) to the
samples themselves, not to a spectrum.
"""

import json
import math
import pathlib

import numpy as np
from scipy.optimize import least_squares

RATE, N, HZ, ALPHA = 150.0, 300, 7.3, 2.0
TRIALS = 2000


def trial(rng, noise):
    t = np.arange(N) / RATE
    y = np.exp((-ALPHA + 2j * math.pi * HZ) * t)
    y += math.sqrt(noise / 2) * (rng.standard_normal(N) + 1j * rng.standard_normal(N))

    def parts(p):
        e = np.exp((-p[1] + 2j * math.pi * p[0]) * t)
        return e, complex(p[2], p[3])

    def residual(p):
        e, a = parts(p)
        r = a * e - y
        return np.concatenate([r.real, r.imag])

    def jacobian(p):
        e, a = parts(p)
        columns = np.stack([2j * math.pi * t * a * e, -t * a * e, e, 1j * e], axis=1)
        return np.concatenate([columns.real, columns.imag])

    return least_squares(residual, [HZ, ALPHA, 1.0, 0.0], jac=jacobian, method="lm").x[:2]


def main():
    out = []
    for noise in (0.003, 0.03, 0.3):
        rng = np.random.default_rng(1)
        error = np.array([trial(rng, noise) for _ in range(TRIALS)]) - [HZ, ALPHA]
        hz, alpha = np.sqrt(np.mean(error**2, axis=0))
        out.append({"rate": RATE, "n": N, "hz": HZ, "alpha": ALPHA, "noise": noise, "trials": TRIALS,
                    "hz_rms": float(f"{hz:.6g}"), "alpha_rms": float(f"{alpha:.6g}")})
    pathlib.Path(__file__).with_suffix(".json").write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
