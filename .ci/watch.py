"""Reads `go test -json` from standard input; prints what failed and a line per package, and fails on skips.

    go test -json ./... | python3 .ci/watch.py [REASON...]

A test may skip only for a reason that matches one of the patterns given.
"""

import collections
import json
import re
import sys

said = collections.defaultdict(list)
passed = failed = 0
allowed = collections.Counter()
skipped = []
for line in sys.stdin:
    try:
        event = json.loads(line)
    except json.JSONDecodeError:  # the compiler speaks plainly
        print(line, end="")
        continue
    package, test, action = event.get("Package"), event.get("Test"), event["Action"]
    if action in ("output", "build-output"):
        text = event["Output"]
        said[package, test].append(text)
        if action == "build-output" or (test is None and re.match(r"ok|FAIL|panic|---|\s+\S+:\d+|Benchmark|fuzz", text)):
            print(text, end="", flush=True)
    elif test and action == "fail":
        failed += 1
        print("".join(said.pop((package, test), [])), end="", flush=True)
    elif test and action == "pass":
        passed += 1
        said.pop((package, test), None)
    elif test and action == "skip":
        reason = "".join(s for s in said.pop((package, test), []) if not s.lstrip().startswith(("===", "---"))).strip()
        for pattern in sys.argv[1:]:
            if re.search(pattern, reason):
                allowed[pattern] += 1
                break
        else:
            skipped.append(f"{package} {test}: {reason}")
for pattern, n in allowed.items():
    print(f"{n} skipped as they may be here: {pattern}")
print(f"{passed} passed, {failed} failed, {len(skipped) + sum(allowed.values())} skipped")
if skipped:
    print("These tests skipped, but must run here:", *skipped, sep="\n  ")
sys.exit(1 if skipped or failed or not passed else 0)
