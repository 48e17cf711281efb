#!/usr/bin/env python3
"""The printed JSON Schemas, judged by Python's jsonschema: `schema.py FOGBELL SHOW RIG SHOW...`

The schemas are valid themselves, accept every file given, and refuse a file with an unknown key, a wrong type or a
missing title.
"""

import copy
import json
import subprocess
import sys

import jsonschema

from check import Checks
from exact import tomllib


def schema(fogbell, *args):
    done = subprocess.run([fogbell, "schema", *args], capture_output=True, text=True, check=False)
    return json.loads(done.stdout) if done.returncode == 0 else None


def refused(validator, document, change):
    damaged = copy.deepcopy(document)
    change(damaged)
    return any(validator.iter_errors(damaged))


def main():
    fogbell, files = sys.argv[1], sys.argv[2:]
    checks = Checks()
    validators = {}
    for kind, args in (("show", ["show", "--json"]), ("rig", ["rig", "--json"])):
        found = schema(fogbell, *args)
        if not checks.that(found is not None, f"schema of a {kind}: printed as JSON"):
            continue
        cls = jsonschema.validators.validator_for(found)
        try:
            cls.check_schema(found)
            checks.that("$schema" in found, f"schema of a {kind}: valid, and says which draft")
        except jsonschema.SchemaError as fault:
            checks.that(False, f"schema of a {kind}: valid", fault.message)
        validators[kind] = cls(found)
    for path in files:
        with open(path, "rb") as file:
            document = tomllib.load(file)
        kind = "rig" if "rig" in document else "show"
        if kind not in validators:
            continue
        faults = [fault.message for fault in validators[kind].iter_errors(document)]
        checks.that(not faults, f"{path}: accepted by the schema", faults[:2])
        judge = validators[kind]
        checks.that(refused(judge, document, lambda d: d.update(nonsense=1)), f"{path}: an unknown key is refused")
        checks.that(refused(judge, document, lambda d: d.update({kind: 7})), f"{path}: a number for a title is refused")
        if kind == "show":
            checks.that(refused(judge, document, lambda d: d["song"][0].update(bmp=1)),
                        f"{path}: an unknown key of a song is refused")
            checks.that(refused(judge, document, lambda d: d["song"][0].pop("title")),
                        f"{path}: a song without a title is refused")
    return checks.close()


if __name__ == "__main__":
    sys.exit(main())
