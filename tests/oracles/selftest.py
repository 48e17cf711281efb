#!/usr/bin/env python3
"""Proves that the oracles can fail: a good set of stems passes, each kind of damage to a copy fails.

    selftest.py WORK [SHOW DIR EVENTS.csv]

Without a folder of stems a good set is made here; with one, a copy of what the program wrote is damaged.
Ends with "oracles: N passed, M failed" like check.py.
"""

import csv
import math
import pathlib
import shutil
import struct
import sys
from fractions import Fraction

import numpy as np
import soundfile

import check
import exact
import wav

RATE = 48_000
SHOWS = pathlib.Path(__file__).parent / "shows"


def hit(kind):
    hertz, decay, level = {"accent": (1500, 30, -12), "beat": (1000, 30, -15), "eighth": (800, 24, -21),
                           "sixteenth": (800, 18, -24)}[kind]
    frames = round((0.001 + decay / 1000 * 6.91) * RATE)
    t = (np.arange(frames) + 1) / RATE
    envelope = np.where(t < 0.001, 0.5 - 0.5 * np.cos(np.pi * t / 0.001), np.exp(-(t - 0.001) / (decay / 1000)))
    x = envelope * np.minimum(1, (frames - np.arange(frames)) / 96)
    x = x * (np.sin(2 * np.pi * hertz * t) + 0.3 * np.exp(-t / (decay / 1000)) * np.sin(4.8 * np.pi * hertz * t))
    return x / np.abs(x).max() * 10 ** (level / 20)


def chunk(name, body):
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def add_chunks(path, number, cues):
    """bext, cue and labels behind the data, as a program may write them."""
    bext = b"a stem".ljust(256, b"\0") + b"Fogbell".ljust(32, b"\0") + bytes(32) + b"2026-01-01" + b"00:00:00"
    bext += struct.pack("<QH", number * 3600 * RATE, 2) + bytes(64 + 10 + 180)
    points, labels = struct.pack("<I", len(cues)), b"adtl"
    for number, (frame, label) in enumerate(cues, 1):
        points += struct.pack("<II4sIII", number, frame, b"data", 0, 0, frame)
        labels += chunk(b"labl", struct.pack("<I", number) + label.encode() + b"\0")
    data = path.read_bytes() + chunk(b"bext", bext) + chunk(b"cue ", points) + chunk(b"LIST", labels)
    path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])


def make(show_path, folder):
    """A good set by the exact times themselves."""
    folder.mkdir(parents=True)
    show, songs = exact.read(show_path)
    with open(folder / "events.csv", "w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(check.COLUMNS)
        for number, song in enumerate(songs, 1):
            for click in show["click"]:
                x = np.zeros(round(float(song.length) * RATE) + RATE // 4)
                for due in song.hits[click]:
                    frame, _ = exact.frame(due.time, RATE)
                    sound = hit(due.kind)
                    x[frame : frame + len(sound)] += sound[: len(x) - frame]
                    table.writerow([song.title, "", click, due.bar, due.beat, due.subdivision, due.kind, frame,
                                    f"{float(due.time):.9f}"])
                path = folder / f"{number:02}-{check.slug(song.title)}.{check.slug(click)}.wav"
                soundfile.write(path, x, RATE, subtype="PCM_24")
                add_chunks(path, number, [(exact.frame(time, RATE)[0], name or "song") for name, time in song.sections])


def first_stem(folder):
    return sorted(folder.glob("*.wav"))[0]


def rewrite(folder, change, rate=RATE):
    """Changes the samples of the first stem and keeps its chunks."""
    path = first_stem(folder)
    x, _ = soundfile.read(path, dtype="float64")
    extra = [(name, body) for name, body in wav.chunks(path) if name in (b"bext", b"cue ", b"LIST")]
    soundfile.write(path, change(x.copy()), rate, subtype="PCM_24")
    data = path.read_bytes() + b"".join(chunk(name, body) for name, body in extra)
    path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])


def frames_of(folder):
    """Frames of the first stem's events."""
    rows = next(iter(check.events_in(folder / "events.csv").values()))
    click = first_stem(folder).stem.rsplit(".", 1)[1]
    return [row["frame"] for row in rows if check.slug(row["click"]) == click]


def window(folder, index):
    frames = frames_of(folder)
    return frames[index], frames[index + 1]


def shifted(by):
    def damage(folder):
        start, stop = window(folder, 30)

        def change(x):
            piece = x[start:stop].copy()
            x[start:stop] = 0
            x[start + by : stop + by] = piece
            return x

        rewrite(folder, change)

    return damage


def missing(folder):
    start, stop = window(folder, 30)

    def change(x):
        x[start:stop] = 0
        return x

    rewrite(folder, change)


def doubled(folder):
    start, stop = window(folder, 30)

    def change(x):
        x[start + 1500 : stop] += 0.7 * x[start : stop - 1500]
        return x

    rewrite(folder, change)


def all_late(folder):
    rewrite(folder, lambda x: np.concatenate((np.zeros(7), x[:-7])))


def table(change):
    def damage(folder):
        path = folder / "events.csv"
        rows = path.read_text(encoding="utf-8").splitlines()
        rows[20] = change(rows[20])
        path.write_text("\n".join(row for row in rows if row) + "\n", encoding="utf-8")

    return damage


def next_frame(row):
    parts = row.split(",")
    parts[7] = str(int(parts[7]) + 1)
    return ",".join(parts)


def wrong_beat(row):
    parts = row.split(",")
    parts[4] = str(int(parts[4]) + 1)
    return ",".join(parts)


def torn(folder):
    path = first_stem(folder)
    path.write_bytes(path.read_bytes()[:-10])


def moved_marker(folder):
    path = first_stem(folder)
    data = bytearray(path.read_bytes())
    at = data.index(b"cue ") + 12
    for place in (at + 4, at + 20):
        data[place : place + 4] = struct.pack("<I", struct.unpack("<I", data[place : place + 4])[0] + 9)
    path.write_bytes(data)


def moved_origin(folder):
    path = first_stem(folder)
    data = bytearray(path.read_bytes())
    data[data.index(b"bext") + 8 + 338] ^= 1
    path.write_bytes(data)


def no_origin(folder):
    path = first_stem(folder)
    path.write_bytes(path.read_bytes().replace(b"bext", b"bexx", 1))


def gone(folder):
    first_stem(folder).unlink()


DAMAGES = {
    "one hit 5 frames late": shifted(5),
    "one hit 5 frames early": shifted(-5),
    "one hit 3 ms late": shifted(144),
    "a missing hit": missing,
    "a doubled hit": doubled,
    "a whole stem 7 frames late": all_late,
    "a wrong rate in the header": lambda folder: rewrite(folder, lambda x: x, rate=44_100),
    "a stem one second short": lambda folder: rewrite(folder, lambda x: x[: -RATE - 12_000]),
    "a hit over the ceiling": lambda folder: rewrite(folder, lambda x: x * 4),
    "a row of the table one frame off": table(next_frame),
    "a row with the wrong beat": table(wrong_beat),
    "a row left out": table(lambda row: ""),
    "a torn file": torn,
    "a marker 9 frames off": moved_marker,
    "no broadcast extension": no_origin,
    "an origin one frame off": moved_origin,
    "a stem gone": gone,
}


def laws(checks):
    """The closed forms against published totals: 120 to 160 over 16 beats."""
    published = {"linear in beats": (3.6996163158542, 6.9043697388427), "linear in time": (3.6722324978246, 6.8571428571429),
                 "exponential in beats": (3.7256293400213, 6.9521189935644)}
    for law, (half, full) in published.items():
        move = exact.Stretch(Fraction(0), Fraction(30), Fraction(0), Fraction(4), Fraction(40), law)
        found = move.at(Fraction(2)), move.at(Fraction(4))
        checks.that(max(abs(found[0] - half), abs(found[1] - full)) < 1e-12, f"selftest: {law} at 8 and 16 beats", found)
        # A sum of small steps knows no closed form: the tempo at each step's middle.
        steps, t = 200_000, 0.0
        for n in range(steps):
            b = (n + 0.5) / steps * 4
            at = {"linear in beats": 30 + 10 * b / 4, "linear in time": math.sqrt(900 + 700 * b / 4),
                  "exponential in beats": 30 * (4 / 3) ** (b / 4)}[law]
            t += 60 / at * 4 / steps
        checks.that(abs(t - found[1]) < 1e-9, f"selftest: {law} agrees with a sum of small steps", t - found[1])


def main():
    work = pathlib.Path(sys.argv[1])
    shutil.rmtree(work, ignore_errors=True)
    checks = check.Checks()
    laws(checks)
    if len(sys.argv) > 2:
        show, stems, events = (pathlib.Path(arg) for arg in sys.argv[2:5])
        shutil.copytree(stems, work / "good")
        if not (work / "good" / "events.csv").exists():
            shutil.copy(events, work / "good" / "events.csv")
    else:
        show = SHOWS / "small.toml"
        make(show, work / "good")
    judged = check.check(show, work / "good", work / "good" / "events.csv", check.Checks(quiet=True))
    checks.that(judged.passed and not judged.failed, "selftest: an undamaged set passes", judged.failed[:5])
    for name, damage in DAMAGES.items():
        folder = work / check.slug(name)
        shutil.copytree(work / "good", folder)
        damage(folder)
        judged = check.check(show, folder, folder / "events.csv", check.Checks(quiet=True))
        checks.that(judged.failed, f"selftest: {name} is found", "nothing failed")
        shutil.rmtree(folder)
    return checks.close()


if __name__ == "__main__":
    sys.exit(main())
