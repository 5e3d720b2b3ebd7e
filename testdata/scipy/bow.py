"""A dozen strung bows by SciPy, as a reference for the stick that bends far.

Writes bow.json beside this script:

    python3 testdata/scipy/bow.py

The stick is an inextensible beam, clamped in the frog; its equations are solved as a boundary value problem
by collocation (solve_bvp), with the place where the hair leaves the head, and where the hair is pressed
also its tension and its deflection, as unknown parameters. The bows are invented.
"""

import json
import math
import pathlib

import numpy as np
from scipy.integrate import solve_bvp


class Bow:
    def __init__(self, case):
        self.c = case
        self.x = np.array([s["at_mm"] for s in case["stations"]]) / 1000
        self.d = np.array([s["height_mm"] for s in case["stations"]]) / 1000
        self.length = self.x[-1]
        self.start = case["hair"]["from_mm"] / 1000
        self.e = 1e9 * case["young_gpa"]
        s0, s1 = math.atan(self.slope(self.start)), math.atan(self.slope(self.length))
        b, h = case["hair"]["butt_mm"] / 1000, case["hair"]["head_mm"] / 1000
        # rigid arms across the unstrung stick, towards the hair
        self.frog = np.array([self.start + b * math.sin(s0), self.rest(self.start) - b * math.cos(s0)])
        self.arm = np.array([h * math.sin(s1), -h * math.cos(s1)])
        inner = [x for x in self.x if self.start < x < self.length]
        edges = [self.start, *inner, self.length]
        self.mesh = np.unique(np.concatenate([np.linspace(a, b, 40) for a, b in zip(edges, edges[1:])]))

    # the unstrung line of centres: a parabola, with a cubic share that shifts its deepest place
    def rest(self, x):
        u = x / self.length
        return -4 * self.c["camber_mm"] / 1000 * u * (1 - u) * (1 + self.c["skew"] * (u - 0.5))

    def slope(self, x):
        u = x / self.length
        k = -4 * self.c["camber_mm"] / 1000 / self.length
        s = self.c["skew"]
        return k * ((1 - 2 * u) * (1 + s * (u - 0.5)) + s * u * (1 - u))

    def ei(self, x):
        return self.e * math.pi / 64 * np.interp(x, self.x, self.d) ** 4

    def field(self, x, y, head, pull):
        """d/dx of place and turn; pull is the force on the head's face."""
        slope = self.slope(x)
        along = np.sqrt(1 + slope**2)
        angle = np.arctan(slope) + y[2]
        moment = (head[0] - y[0]) * pull[1] - (head[1] - y[1]) * pull[0]
        return np.vstack([along * np.cos(angle), along * np.sin(angle), along * moment / self.ei(x)])

    def face(self, yb):
        cos, sin = math.cos(yb[2]), math.sin(yb[2])
        return np.array([yb[0] + cos * self.arm[0] - sin * self.arm[1], yb[1] + sin * self.arm[0] + cos * self.arm[1]])

    def clamp(self, ya):
        return [ya[0] - self.start, ya[1] - self.rest(self.start), ya[2]]

    def tune(self, tension):
        guess = np.vstack([self.mesh, self.rest(self.mesh), np.zeros_like(self.mesh)])
        p = np.array([self.length, self.rest(self.length)]) + self.arm
        for share in np.linspace(0.25, 1, 4):
            t = tension * share

            def f(x, y, p):
                line = self.frog - p
                return self.field(x, y, p, t * line / np.linalg.norm(line))

            s = solve_bvp(f, lambda ya, yb, p: np.array([*self.clamp(ya), *(self.face(yb) - p)]), self.mesh, guess, p=p, tol=1e-9, max_nodes=100000)
            assert s.success, s.message
            guess, p = s.sol(self.mesh), s.p
        return s, p

    def press(self, rest, head, part, force):
        length = np.linalg.norm(head - self.frog)
        along = (head - self.frog) / length
        up = np.array([-along[1], along[0]])
        at = self.frog + part * length * along
        stretch, tension = self.c["hair"]["stretch_mm_per_n"] / 1000, self.c["hair"]["tension_n"]
        slack = length - stretch * tension

        def f(x, y, p):
            line = at + p[3] * up - p[:2]
            return self.field(x, y, p[:2], p[2] * line / np.linalg.norm(line))

        def ends(ya, yb, p):
            c = at + p[3] * up
            a, b = self.frog - c, p[:2] - c
            la, lb = np.linalg.norm(a), np.linalg.norm(b)
            push = -p[2] * (a / la + b / lb) @ up
            return np.array([*self.clamp(ya), *(self.face(yb) - p[:2]), push - force, 100 * (la + lb - slack - stretch * p[2])])

        p = np.array([*head, tension, 0.005 * force])
        s = solve_bvp(f, ends, self.mesh, rest.sol(self.mesh), p=p, tol=1e-9, max_nodes=100000)
        assert s.success, s.message
        return s, 1000 * s.p[3], s.p[2] - tension, math.degrees(s.sol(self.length)[2])

    def want(self):
        rest, head = self.tune(self.c["hair"]["tension_n"])
        along = (head - self.frog) / np.linalg.norm(head - self.frog)
        fine = np.linspace(self.start, self.length, 4001)
        y = rest.sol(fine)
        over = along[0] * (y[1] - self.frog[1]) - along[1] * (y[0] - self.frog[0])
        out = {"hair_length_mm": 1000 * np.linalg.norm(head - self.frog), "gap_mm": 1000 * over.min(), "head_tilt_deg": math.degrees(y[2][-1]), "pressed": []}
        for part in (0.1, 0.5, 0.9):
            _, deflection, tension, tilt = self.press(rest, head, part, self.c["force_n"])
            out["pressed"].append({"deflection_mm": deflection, "tension_change_n": tension, "head_tilt_deg": tilt})
        return out


def cases():
    for n in range(12):
        length = 660 + 7 * n
        butt, tip = 8.3 + 0.15 * n, 5.2 + 0.12 * ((5 * n) % 7)
        count = 3 + n % 5
        stations = []
        for i in range(count):
            u = i / (count - 1)
            stations.append({"at_mm": round(length * u, 1), "height_mm": round(butt + (tip - butt) * u ** (1 + 0.1 * n), 3)})
        yield {
            "name": f"bow {n + 1} (invented)", "stations": stations, "young_gpa": round(19 + 0.6 * n, 2),
            "camber_mm": 11.0 + 0.7 * n, "skew": round(0.05 * (n % 5), 2),
            "hair": {"butt_mm": 20.0 + 0.3 * n, "head_mm": 19.0 + 0.4 * n, "tension_n": 22.0 + 4 * n, "from_mm": 0.0 if n % 3 else 40.0, "stretch_mm_per_n": round(0.015 + 0.003 * (n % 6), 3)},
            "force_n": 0.5 + 0.25 * (n % 5),
        }


def main():
    out = []
    for case in cases():
        rounded = json.loads(json.dumps(Bow(case).want()), parse_float=lambda s: float(f"{float(s):.8g}"))
        out.append({**case, "want": rounded})
    path = pathlib.Path(__file__).with_suffix(".json")
    path.write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
