"""A dozen bow sticks by SciPy, as a reference for the stick's mechanics.

Writes stick.json beside this script:

    python3 testdata/scipy/stick.py

Mass and balance by adaptive quadrature; sag by integrating the beam's equation from support to
support; modes by shooting with an initial value solver, after Timoshenko's theory. Nothing is shared with the program but the formulas
of the sections. The sticks are invented.
"""

import json
import math
import pathlib

import numpy as np
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

G0 = 9.80665


def section(shape, h, w, widest):
    """Area, second moments for bending along height and width (elementary formulas)."""
    if shape == "octagonal":
        k = (4 * math.sqrt(2) - 5) / 12
        return 2 * (math.sqrt(2) - 1) * h * w, k * w * h**3, k * h * w**3
    if shape == "rectangular":
        return h * w, w * h**3 / 12, h * w**3 / 12
    if shape == "egg":
        a = w / 2
        # one half: y from the widest line, width 2 a sqrt(1 - (y/b)^2); summed numerically
        area = first = second = 0.0
        for sign, b in ((-1, widest * h), (1, (1 - widest) * h)):
            width = lambda y: 2 * a * math.sqrt(max(0.0, 1 - (y / b) ** 2))
            area += quad(width, 0, b, epsabs=0, epsrel=1e-10)[0]
            first += sign * quad(lambda y: y * width(y), 0, b, epsabs=0, epsrel=1e-10)[0]
            second += quad(lambda y: y * y * width(y), 0, b, epsabs=0, epsrel=1e-10)[0]
        return area, second - first**2 / area, math.pi / 64 * h * w**3
    return math.pi / 4 * h * w, math.pi / 64 * w * h**3, math.pi / 64 * h * w**3


class Stick:
    def __init__(self, case):
        self.case = case
        self.x = np.array([s["at_mm"] for s in case["stations"]]) / 1000
        self.h = np.array([s["height_mm"] for s in case["stations"]]) / 1000
        self.w = np.array([s["width_mm"] for s in case["stations"]]) / 1000
        self.egg = np.array([s.get("widest", 0.5) for s in case["stations"]])
        self.shape = case["shape"]
        self.length = self.x[-1]
        self.rho, self.e, self.g = case["density_kg_m3"], case["young_gpa"] * 1e9, case["shear_gpa"] * 1e9
        if self.shape == "egg":  # the second moment is tabulated, for the quadrature is slow
            fine = np.unique(np.concatenate([np.linspace(a, b, 60) for a, b in zip(self.x, self.x[1:])]))
            table = [section("egg", *self.dims(x)) for x in fine]
            ratio = [t[1] / (math.pi / 64 * self.dims(x)[1] * self.dims(x)[0] ** 3) for t, x in zip(table, fine)]
            self.egg_ratio = lambda x: np.interp(x, fine, ratio)

    def dims(self, x):
        return np.interp(x, self.x, self.h), np.interp(x, self.x, self.w), np.interp(x, self.x, self.egg)

    def at(self, x):
        h, w, _ = self.dims(x)
        if self.shape == "egg":
            a, i, j = section("oval", h, w, 0)
            return a, i * self.egg_ratio(x), j
        return section(self.shape, h, w, 0)

    def pieces(self, a, b, *more):
        edges = sorted({a, b, *[x for x in list(self.x) + list(more) if a < x < b]})
        return list(zip(edges, edges[1:]))

    def integral(self, f, a, b):
        return sum(quad(f, p, q, epsabs=0, epsrel=1e-11)[0] for p, q in self.pieces(a, b))

    def mass(self):
        shaft = self.rho * self.integral(lambda x: self.at(x)[0], 0, self.length)
        moment = self.rho * self.integral(lambda x: x * self.at(x)[0], 0, self.length)
        m = shaft + sum(l["mass_g"] / 1000 for l in self.case["lumps"])
        moment += sum(l["mass_g"] / 1000 * l["at_mm"] / 1000 for l in self.case["lumps"])
        return m, moment / m

    def sag(self, which):
        """Deflection under the load: w'' = M/EI from the first support, the slope there by superposition."""
        l = self.case["load"]
        a, b, c = l["from_mm"] / 1000, l["to_mm"] / 1000, l["at_mm"] / 1000
        p = l["grams"] / 1000 * G0

        def moment(x):
            return p * (x - a) * (b - c) / (b - a) if x < c else p * (b - x) * (c - a) / (b - a)

        y = np.zeros(2)
        at_load = 0.0
        for s, e in self.pieces(a, b, c):
            f = lambda x, y: [y[1], -moment(x) / (self.e * self.at(x)[which])]
            y = solve_ivp(f, (s, e), y, method="DOP853", rtol=1e-11, atol=1e-16).y[:, -1]
            if e == c:
                at_load = y[0]
        slope = -y[0] / (b - a)
        return at_load + slope * (c - a)

    def free_end(self, omega, which):
        """Force and moment left at the far end of the two motions that leave the butt free."""
        kappa = 5 / 6 if self.shape == "rectangular" else 6 / 7
        ends = []
        for start in ([1.0, 0, 0, 0], [0, 1.0, 0, 0]):
            y = np.array(start)
            y[2] -= sum(l["mass_g"] / 1000 for l in self.case["lumps"] if l["at_mm"] == 0) * omega**2 * y[0]

            def f(x, y):
                sec = self.at(x)
                a, i = sec[0], sec[which]
                return [y[1] + y[2] / (kappa * self.g * a), y[3] / (self.e * i), -self.rho * a * omega**2 * y[0],
                        -y[2] - self.rho * i * omega**2 * y[1]]

            # the state is scaled so that all of it is of one size
            k = np.array([1, 1 / self.length, 1e3, 1e2])
            lumps = [l for l in self.case["lumps"] if l["at_mm"] > 0]
            for s, e in self.pieces(0, self.length, *[l["at_mm"] / 1000 for l in lumps]):
                y = solve_ivp(lambda x, z: np.array(f(x, z * k)) / k, (s, e), y / k, method="DOP853", rtol=1e-9, atol=1e-12).y[:, -1] * k
                y[2] -= sum(l["mass_g"] / 1000 for l in lumps if l["at_mm"] / 1000 == e) * omega**2 * y[0]
            ends.append(y)
        return ends[0][2] * ends[1][3] - ends[1][2] * ends[0][3]

    def modes(self, which, n):
        found, hz = [], 25.0
        value = lambda hz: self.free_end(2 * math.pi * hz, which)
        last = value(hz)
        while len(found) < n:
            step = hz * 1.12
            now = value(step)
            if last * now < 0:
                found.append(brentq(value, hz, step, rtol=1e-9))
            hz, last = step, now
        return found


def cases():
    """Invented sticks: every shape, tapers from none to steep, spans, lumps."""
    shapes = ["round", "oval", "octagonal", "egg", "rectangular", "egg"]
    for n in range(12):
        shape = shapes[n % 6]
        length = 660 + 7 * n
        butt, tip = 8.4 + 0.17 * n, 5.2 + 0.1 * ((5 * n) % 7)
        count = 2 if n == 0 else 3 + n % 6
        stations = []
        for i in range(count):
            u = i / (count - 1)
            h = butt + (tip - butt) * u ** (1 + 0.1 * n)
            w = h if shape == "round" else h * (0.93 + 0.01 * (n % 5))
            s = {"at_mm": round(length * u ** 0.9, 1), "height_mm": round(h, 3), "width_mm": round(h if shape == "round" else w, 3)}
            if shape == "egg":
                s["widest"] = round(0.36 + 0.02 * n / 3 + 0.03 * u, 4)
            stations.append(s)
        stations[-1]["at_mm"] = float(length)
        lumps = [] if n % 2 == 0 else [{"at_mm": float(length), "mass_g": 1.5 + 0.4 * n}, {"at_mm": 0.0, "mass_g": 0.5}]
        if n in (3, 9):
            lumps.append({"at_mm": 33.0, "mass_g": 2.0})
        start = 0.0 if n % 3 == 0 else 20.0
        end = float(length) if n % 3 == 0 else length - 30.0
        middle = (start + end) / 2 if n % 4 else start + 0.4 * (end - start)
        case = {
            "name": f"stick {n + 1} (invented)", "shape": shape, "stations": stations, "lumps": lumps,
            "density_kg_m3": 940 + 15 * n, "young_gpa": round(18.5 + 0.6 * n, 2), "shear_gpa": round((18.5 + 0.6 * n) / (13 + n % 6), 3),
            "load": {"from_mm": start, "to_mm": end, "at_mm": round(middle, 3), "grams": 300 + 50 * n},
        }
        yield case


def main():
    out = []
    for case in cases():
        stick = Stick(case)
        mass, balance = stick.mass()
        want = {
            "mass_g": 1000 * mass, "centre_of_mass_mm": 1000 * balance,
            "sag_mm": 1000 * stick.sag(1), "width_sag_mm": 1000 * stick.sag(2),
            "modes_hz": stick.modes(1, 4), "width_modes_hz": stick.modes(2, 2),
        }
        rounded = json.loads(json.dumps(want), parse_float=lambda s: float(f"{float(s):.8g}"))
        out.append({**case, "want": rounded})
    path = pathlib.Path(__file__).with_suffix(".json")
    path.write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
