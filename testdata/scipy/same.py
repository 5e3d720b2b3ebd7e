"""Whether two files of reference values say the same, to the digits that don't depend on the machine.

    python3 testdata/scipy/same.py COMMITTED.json FRESH.json
"""

import json
import sys

DIGITS = 1e-6  # relative; the machine's kernels for transforms and sums differ in the 9th digit


def differences(a, b, where=""):
    if isinstance(a, dict) and isinstance(b, dict) and a.keys() == b.keys():
        for k in a:
            yield from differences(a[k], b[k], f"{where}/{k}")
    elif isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        for i, (x, y) in enumerate(zip(a, b)):
            yield from differences(x, y, f"{where}/{i}")
    elif isinstance(a, float) and isinstance(b, float):
        if not abs(a - b) <= DIGITS * max(abs(a), abs(b)):
            yield f"{where}: {a} is now {b}"
    elif a != b:
        yield f"{where}: {a} is now {b}"


if __name__ == "__main__":
    old, new = (json.load(open(path)) for path in sys.argv[1:3])
    found = list(differences(old, new))
    print("\n".join(found[:20]), end="\n" if found else "")
    sys.exit(1 if found else 0)
