#!/usr/bin/env python3
"""The stem race: the same events to the same kind of file by librosa.clicks + soundfile and by `fogbell stems`.

    librosa_clicks_bench.py FOGBELL WORK [SECONDS]

One song of about SECONDS (600) at 137.3, sixteenths, mono, 48 kHz, 24 bit; best of three runs of each, imports and
the process's start left out for Python and counted for Fogbell. Prints both and the ratio; exit 1 below 3.
"""

import csv
import pathlib
import shutil
import subprocess
import sys
import time

import librosa
import numpy as np
import soundfile

from selftest import hit

RATE = 48_000
LEAST_RATIO = 3.0


def best_of(times, run):
    best = float("inf")
    for _ in range(times):
        began = time.perf_counter()
        run()
        best = min(best, time.perf_counter() - began)
    return best


def main():
    fogbell, work = sys.argv[1], pathlib.Path(sys.argv[2])
    seconds = float(sys.argv[3]) if len(sys.argv) > 3 else 600.0
    shutil.rmtree(work, ignore_errors=True)
    work.mkdir(parents=True)
    show = work / "race.toml"
    bars = round(seconds * 137.3 / 240)
    show.write_text(f'show = "Race"\n[click.drums]\nevery = "sixteenths"\n[feed.drums]\nhears = {{ drums = 0 }}\n'
                    f'[[song]]\ntitle = "Race"\ntempo = 137.3\nmetre = "4/4"\nbars = {bars}\n')
    out = work / "stems"

    def own():
        shutil.rmtree(out, ignore_errors=True)
        subprocess.run([fogbell, "stems", str(show), "--out", str(out), "--rate", str(RATE), "--format", "24", "--json"],
                       check=True, capture_output=True)

    own_seconds = best_of(3, own)
    subprocess.run([fogbell, "stems", str(show), "--out", str(work / "again"), "--events", str(work / "events.csv")],
                   check=True, capture_output=True)
    with open(work / "events.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    length = max(soundfile.info(path).frames for path in out.glob("*.wav"))
    by_kind = {}
    for row in rows:
        by_kind.setdefault(row["kind"], []).append(int(row["frame"]))

    def outside():
        x = np.zeros(length)
        for kind, frames in by_kind.items():
            x += librosa.clicks(times=np.array(frames) / RATE, sr=RATE, click=hit(kind), length=length)
        soundfile.write(work / "librosa.wav", x, RATE, subtype="PCM_24")

    outside_seconds = best_of(3, outside)
    print(f"{len(rows)} hits, {length / RATE:.0f} s of mono 24 bit at {RATE}")
    print(f"librosa.clicks + soundfile: {outside_seconds:.3f} s   {length / RATE / outside_seconds:,.0f} x real time")
    print(f"fogbell stems:              {own_seconds:.3f} s   {length / RATE / own_seconds:,.0f} x real time")
    ratio = outside_seconds / own_seconds
    print(f"ratio: {ratio:.2f} (at least {LEAST_RATIO})")
    return 0 if ratio >= LEAST_RATIO else 1


if __name__ == "__main__":
    sys.exit(main())
