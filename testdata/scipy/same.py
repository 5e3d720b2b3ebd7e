"""Compares two JSON files of numbers: same shape, numbers equal to 1 part in 1e6."""
import json
import math
import sys


def differs(a, b, where="$"):
    if isinstance(a, dict) and isinstance(b, dict) and a.keys() == b.keys():
        return next((d for k in a if (d := differs(a[k], b[k], f"{where}.{k}"))), None)
    if isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        return next((d for i, (x, y) in enumerate(zip(a, b)) if (d := differs(x, y, f"{where}[{i}]"))), None)
    if isinstance(a, (int, float)) and isinstance(b, (int, float)):
        return None if math.isclose(a, b, rel_tol=1e-6, abs_tol=1e-9) else f"{where}: {a} and {b}"
    return None if a == b else f"{where}: {a!r} and {b!r}"


difference = differs(json.load(open(sys.argv[1])), json.load(open(sys.argv[2])))
if difference:
    sys.exit(f"{sys.argv[1]} is not what the script gives now: {difference}")
