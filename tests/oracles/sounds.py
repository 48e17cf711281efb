#!/usr/bin/env python3
"""The demo's sounds are the ones its script makes, to within one step of 16 bits (another C library may round a
sine otherwise)."""

import importlib.util
import io
import pathlib
import sys

import numpy as np
import soundfile

from check import Checks

HERE = pathlib.Path(__file__).resolve().parents[2] / "demo" / "sounds"
spec = importlib.util.spec_from_file_location("make", HERE / "make.py")
make = importlib.util.module_from_spec(spec)
spec.loader.exec_module(make)


def main():
    checks = Checks()
    for name, content in make.all_files():
        wanted, rate = soundfile.read(io.BytesIO(content), dtype="int16")
        found, found_rate = soundfile.read(HERE / name, dtype="int16")
        same = rate == found_rate and len(wanted) == len(found)
        far = int(np.abs(wanted.astype(int) - found.astype(int)).max()) if same else None
        checks.that(same and far <= 1, f"demo/sounds/{name} is what make.py makes", far)
    return checks.close()


if __name__ == "__main__":
    sys.exit(main())
