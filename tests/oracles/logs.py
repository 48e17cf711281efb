#!/usr/bin/env python3
"""The logs that the tests wrote, held by Python's jsonschema against what the program prints: `logs.py FOGBELL FOLDER`

Every line of every log but a torn last one. The schema is valid itself, refuses a damaged line of each event, and the
events that no test wrote are named.
"""

import collections
import copy
import json
import pathlib
import subprocess
import sys

import jsonschema

from check import Checks

# Levels come each second: more of them in one log say nothing new.
MOST_ALIKE = 50


def judges(schema):
    """A validator an event: a line is held against the one that it says it is."""
    cls = jsonschema.validators.validator_for(schema)
    cls.check_schema(schema)
    out = {}
    for variant in schema["oneOf"]:
        own = {key: value for key, value in schema.items() if key != "oneOf"}
        out[variant["properties"]["event"]["const"]] = cls({**own, "allOf": [variant]})
    return out


def lines_of(path):
    text = path.read_bytes()
    whole, _, torn = text.rpartition(b"\n")
    for number, line in enumerate(whole.split(b"\n"), 1):
        if line.strip():
            yield number, line
    if torn.strip():
        try:
            json.loads(torn)
        except ValueError:
            return
        yield "last", torn


def main():
    fogbell, folder = sys.argv[1], pathlib.Path(sys.argv[2])
    checks = Checks()
    printed = subprocess.run([fogbell, "schema", "log", "--json"], capture_output=True, text=True, check=True).stdout
    of = judges(json.loads(printed))
    seen, faults, examples = collections.Counter(), [], {}
    logs = [path for path in sorted(folder.rglob("*")) if path.name.endswith((".jsonl", ".kept.json"))]
    for path in logs:
        alike = collections.Counter()
        for number, line in lines_of(path):
            try:
                line = json.loads(line)
            except ValueError as fault:
                faults.append(f"{path.name}:{number}: {fault}")
                continue
            event = line.get("event")
            seen[event] += 1
            alike[event] += 1
            if event not in of:
                faults.append(f"{path.name}:{number}: no event {event}")
            elif alike[event] <= MOST_ALIKE:
                examples.setdefault(event, line)
                faults += [f"{path.name}:{number}: {event}: {fault.message[:200]}" for fault in of[event].iter_errors(line)]
    checks.that(len(logs) > 0 and sum(seen.values()) > 0, f"{len(logs)} logs of {sum(seen.values())} lines are there")
    checks.that(not faults, "every line is as the schema says", faults[:5])
    for event, line in sorted(examples.items()):
        for key in ("time", "ms", "event"):
            damaged = copy.deepcopy(line)
            damaged[key] = [7]
            checks.that(any(of[event].iter_errors(damaged)), f"{event}: a damaged {key} is refused")
    print("not written by any test:", ", ".join(sorted(set(of) - set(seen))) or "none")
    return checks.close()


if __name__ == "__main__":
    sys.exit(main())
