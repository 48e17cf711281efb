#!/usr/bin/env python3
"""Judges what `fogbell stems` wrote, with libraries that know nothing of Fogbell.

    check.py SHOW DIR EVENTS.csv [--rate 48000]

SHOW is the show file, DIR holds the stems ("01-low-tide.drums.wav"), EVENTS.csv every hit. Prints a line a check
and ends with "oracles: N passed, M failed"; exit 1 when one failed or none was made.
"""

import argparse
import csv
import pathlib
import re
import subprocess
import sys
from collections import defaultdict

import numpy as np
import soundfile

import exact
import hear
import wav

COLUMNS = ["song", "section", "click", "bar", "beat", "subdivision", "kind", "frame", "seconds"]


class Checks:
    """A tally that prints what it is told."""

    def __init__(self, quiet=False):
        self.passed, self.failed, self.quiet = 0, [], quiet

    def that(self, true, name, detail=""):
        if true:
            self.passed += 1
        else:
            self.failed.append(name)
        if not self.quiet:
            print(f"{'ok' if true else 'FAILED'}  {name}{'' if true else ': ' + str(detail)}")
        return bool(true)

    def close(self):
        print(f"oracles: {self.passed} passed, {len(self.failed)} failed")
        return 1 if self.failed or not self.passed else 0


def stems_in(folder):
    """{(song from 1, click): path} by the names of the files."""
    out = {}
    for path in sorted(pathlib.Path(folder).glob("*.wav")):
        match = re.fullmatch(r"(\d+)-.+?\.([^.]+)\.wav", path.name)
        if match:
            out[int(match[1]), match[2]] = path
    return out


def slug(name):
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")


def events_in(path):
    """[(song title, [rows])] in order of appearance; numbers as numbers."""
    with open(path, newline="", encoding="utf-8") as file:
        reader = csv.DictReader(file)
        if reader.fieldnames != COLUMNS:
            raise ValueError(f"columns are {reader.fieldnames}")
        songs = {}
        for row in reader:
            for key in ("bar", "beat", "subdivision", "frame"):
                row[key] = int(row[key])
            songs.setdefault(row["song"], []).append(row)
    return songs


def check_events(checks, name, rows, due, rate):
    """The events of one song and click against the exact times."""
    said = [(row["bar"], row["beat"], row["subdivision"], row["kind"]) for row in rows]
    wanted = [(hit.bar, hit.beat, hit.subdivision, hit.kind) for hit in due]
    differing = [pair for pair in zip(said, wanted) if pair[0] != pair[1]][:3]
    if not checks.that(said == wanted, f"{name}: every hit is listed once, in order",
                       f"{len(said)} listed, {len(wanted)} due, first differing {differing}"):
        return
    worst, wrong = 0.0, []
    for row, hit in zip(rows, due):
        nearest, from_tie = exact.frame(hit.time, rate)
        worst = max(worst, abs(float(row["seconds"]) - float(hit.time)))
        # Behind a moving tempo the oracle itself has rounding errors: a tie may fall to either side.
        slack = 1 if not isinstance(hit.time, exact.Fraction) and from_tie < 1e-6 else 0
        if abs(row["frame"] - nearest) > slack:
            wrong.append((row["bar"], row["beat"], row["subdivision"], row["frame"], nearest))
    checks.that(not wrong, f"{name}: frames are the nearest to exact arithmetic", wrong[:3])
    # `seconds` may be the frame's time or the exact one.
    checks.that(worst <= 0.5 / rate + 1e-6, f"{name}: seconds agree within half a frame", worst)


def check_sound(checks, name, x, rate, rows, due, voiced):
    """What is heard in a stem against the events. Spoken counts are left to ears: a voice has no single onset."""
    import mir_eval

    if voiced:
        counts = sum(hit.count for hit in due)
        rows, due = rows[counts:], due[counts:]
        x = x.copy()
        x[: rows[0]["frame"] - round(0.002 * rate)] = 0
    wanted = np.array([row["frame"] for row in rows])
    found, unclear = hear.onsets(x, rate)
    tolerance = round(rate * 60e-6)
    if checks.that(len(found) == len(wanted), f"{name}: as many onsets as events", f"{len(found)} for {len(wanted)}"):
        away = np.abs(found - wanted)
        checks.that(away.max() <= tolerance, f"{name}: each onset lies on its event (±{tolerance} frames, scipy)",
                    f"{away.max()} frames at event {int(away.argmax())}, {unclear} inside tails")
    reference = np.array([float(hit.time) for hit in due])
    for window in (0.005, 0.010):
        score = mir_eval.onset.f_measure(reference, found / rate, window=window)[0]
        checks.that(score == 1.0, f"{name}: onset F = 1 at {window * 1000:.0f} ms (mir_eval)", score)
    beats = np.array([float(hit.time) for hit in due if hit.subdivision == 0])
    on_beats = found[np.isin(np.arange(len(found)), [i for i, hit in enumerate(due) if hit.subdivision == 0])] / rate
    for window in (0.005, 0.010):
        score = mir_eval.beat.f_measure(beats, on_beats, f_measure_threshold=window)
        checks.that(score == 1.0, f"{name}: beat F = 1 at {window * 1000:.0f} ms (mir_eval)", score)
    check_librosa(checks, name, x, rate, reference)


def check_librosa(checks, name, x, rate, reference):
    import mir_eval

    heard = np.maximum(hear.librosa_onsets(x, rate), 0)
    if not checks.that(len(heard) == len(reference), f"{name}: as many onsets as events (librosa)",
                       f"{len(heard)} for {len(reference)}"):
        return
    delay = float(np.median(heard - reference))
    # The flux of a window is late or early by the same amount for every hit of a kind: a few milliseconds.
    checks.that(abs(delay) < 0.010, f"{name}: librosa's own delay is small", delay)
    score = mir_eval.onset.f_measure(reference, np.maximum(heard - delay, 0), window=0.003)[0]
    checks.that(score == 1.0, f"{name}: onset F = 1 at 3 ms (librosa, its delay taken out)", score)


def check_file(checks, name, path, length, rate, sections):
    """Readers, lengths and chunks of one stem. Returns its samples."""
    x, found_rate = soundfile.read(path, dtype="float64", always_2d=True)
    info = soundfile.info(path)
    checks.that(info.format in ("WAV", "WAVEX", "RF64"), f"{name}: libsndfile reads it", info)
    checks.that(found_rate == rate, f"{name}: its rate is {rate}", found_rate)
    by_sox = [run("sox", "--i", flag, str(path)) for flag in ("-r", "-c", "-s")]
    by_file = [str(found_rate), str(x.shape[1]), str(x.shape[0])]
    checks.that(by_sox == by_file, f"{name}: sox and libsndfile agree", f"{by_sox} {by_file}")
    checks.that(np.isfinite(x).all() and np.abs(x).max() <= 10 ** (-6 / 20) + 1e-4,
                f"{name}: no sample over the ceiling of -6 dBFS", np.abs(x).max())
    last = float(length) * rate
    checks.that(last - 1 <= len(x) <= last + 2.5 * rate, f"{name}: as long as the song and a tail", (len(x), last))
    try:
        found = wav.chunks(path)
        number = int(pathlib.Path(path).name.split("-")[0])
        told = run("sndfile-metadata-get", "--bext-originator", "--bext-description", "--bext-orig-date", str(path))
        check_chunks(checks, name, found, run("sndfile-info", str(path)), told, number, rate, sections)
    except ValueError as fault:
        checks.that(False, f"{name}: chunks are whole", fault)
    return x


def check_chunks(checks, name, found, info, told, number, rate, sections):
    cues = wav.cues(found)
    wanted = {exact.frame(time, rate)[0]: label for label, time in sections}
    others = [frame for frame, _ in cues if frame not in wanted and frame != 0]
    missing = [frame for frame in wanted if frame not in [place for place, _ in cues]]
    if not checks.that(cues and not others and not missing, f"{name}: a cue marker at each section", (cues, wanted)):
        return
    named = [(label, wanted[frame]) for frame, label in cues if wanted.get(frame)]
    checks.that(all(label.startswith(section) for label, section in named), f"{name}: markers bear the names", named)
    counted = re.search(r"^cue .*?Count\s*:\s*(\d+)", info, re.MULTILINE | re.DOTALL)
    checks.that(counted and int(counted[1]) == len(cues), f"{name}: sndfile-info sees the markers", info[-400:])
    origin = wav.bext(found)
    if checks.that(origin is not None, f"{name}: a broadcast extension", [kind for kind, _ in found]):
        checks.that(origin["version"] <= 2 and origin["originator"].lower().startswith("fogbell"),
                    f"{name}: its origin is told", origin)
        checks.that(all(origin[key] and origin[key] in told for key in ("originator", "description", "date")),
                    f"{name}: libsndfile reads the same origin", (origin, told))
        # The program's own promise: song n begins at n o'clock of one timeline.
        checks.that(origin["time_reference"] == number * 3600 * rate, f"{name}: it begins at {number} o'clock",
                    origin["time_reference"] / rate / 3600)


def run(*command):
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return (done.stdout + done.stderr).strip()


def check(show_path, folder, events_path, checks, rate=48_000):
    show, songs = exact.read(show_path)
    stems = stems_in(folder)
    clicks = list(show.get("click") or {"click": {}})
    try:
        events = events_in(events_path)
    except (OSError, ValueError, KeyError) as fault:
        checks.that(False, "the table of events is readable", fault)
        return checks
    checks.that(list(events) == [song.title for song in songs], "the table names every song in order", list(events))
    wanted = {(number, slug(click)) for number in range(1, len(songs) + 1) for click in clicks}
    checks.that(wanted <= set(stems), "a stem for each song and click", sorted(wanted - set(stems)))
    lengths = defaultdict(set)
    for number, song in enumerate(songs, 1):
        for click in clicks:
            path = stems.get((number, slug(click)))
            if path is None:
                continue
            name = f"{pathlib.Path(show_path).stem} {path.stem}"
            rows = [row for row in events.get(song.title, []) if row["click"] == click]
            x = check_file(checks, name, path, song.length, rate, song.sections)
            lengths[number].add(len(x))
            check_events(checks, name, rows, song.hits[click], rate)
            if len(rows) == len(song.hits[click]):
                check_sound(checks, name, x[:, 0], rate, rows, song.hits[click], song.voiced)
    for number, found in lengths.items():
        checks.that(len(found) == 1, f"song {number}: its stems are equally long", found)
    return checks


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("show")
    parser.add_argument("folder")
    parser.add_argument("events")
    parser.add_argument("--rate", type=int, default=48_000)
    args = parser.parse_args()
    return check(args.show, args.folder, args.events, Checks(), args.rate).close()


if __name__ == "__main__":
    sys.exit(main())
