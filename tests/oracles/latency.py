#!/usr/bin/env python3
"""Delays of the latency fixtures by scipy, which knows nothing of Fogbell.

latency.py --table     writes fixtures/latency/scipy.csv: the delay that scipy finds in each recording
latency.py FOGBELL     runs `FOGBELL latency --from RECORDING --probe PROBE --json` and compares
"""
import csv
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import soundfile
from scipy import signal

FOLDER = Path("fixtures/latency")
UPSAMPLED = 64
AGREE_FRAMES = 0.01


def delay(recording, probe):
    """Peak of the correlation, upsampled and band-limited, then a parabola through the top three values."""
    correlation = signal.correlate(recording, probe, mode="full", method="fft")
    whole = int(np.argmax(np.abs(correlation)))
    half = 512
    padded = np.pad(correlation, half)
    around = padded[whole : whole + 2 * half] * signal.windows.tukey(2 * half, 0.2)
    fine = signal.resample(around, 2 * half * UPSAMPLED) * np.sign(correlation[whole])
    middle = half * UPSAMPLED
    top = middle - UPSAMPLED + int(np.argmax(fine[middle - UPSAMPLED : middle + UPSAMPLED + 1]))
    before, at, behind = fine[top - 1 : top + 2]
    part = 0.5 * (before - behind) / (before - 2 * at + behind)
    return whole - (len(probe) - 1) + (top - middle + part) / UPSAMPLED


def rows():
    with open(FOLDER / "manifest.csv", newline="") as manifest:
        for row in csv.DictReader(manifest):
            recording, _ = soundfile.read(FOLDER / row["file"])
            probe, _ = soundfile.read(FOLDER / row["reference"])
            yield row, delay(recording, probe)


def table():
    with open(FOLDER / "scipy.csv", "w", newline="") as out:
        out.write("file,scipy_delay_frames\n")
        for row, found in rows():
            out.write(f"{row['file']},{found:.6f}\n")


def compare(fogbell):
    passed = failed = 0
    for row, found in rows():
        command = [fogbell, "latency", "--from", FOLDER / row["file"], "--probe", FOLDER / row["reference"], "--json"]
        ran = subprocess.run(command, capture_output=True, text=True, check=False)
        answer = json.loads(ran.stdout or "{}")
        if answer.get("outcome") == "refused" and row["file"].startswith("click") and row["snr_db"] == "0":
            good = True  # one click as loud as the noise: no answer is an honest one
        else:
            good = abs(answer.get("round_trip_frames", 1e9) - found) <= AGREE_FRAMES
        passed, failed = passed + good, failed + (not good)
        if not good:
            print(f"{row['file']}: scipy {found:.4f}, fogbell {answer or ran.stderr}")
    print(f"oracles: {passed} passed, {failed} failed")
    return failed


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    sys.exit(table() if sys.argv[1] == "--table" else compare(sys.argv[1]) > 0)
