#!/usr/bin/env python3
"""A night of twelve hours and 1,000,000 lines, reported: `report.py FOGBELL [WORK]`. Python's own library only.

Writes the log, has it reported three times as page, text and JSON, and prints seconds and the most memory resident.
Exit 1 when the quickest page took more than 2 s of a processor (it has one thread), or one more than 100 MB.
"""

import json
import os
import pathlib
import sys
import tempfile
import time

LINES = 1_000_000
HOURS = 12
RATE = 48_000
BAR = 2 * RATE
SONGS = 40
SHOW = "show = \"Saltmarsh Five\"\n[input.room]\n[click.drums]\nevery = \"eighths\"\n[click.band]\nevery = \"beats\"\n" + "".join(
    f"[[song]]\ntitle = \"Tide {n}\"\ntempo = 120\nmetre = \"4/4\"\n"
    "[[song.section]]\nname = \"verse\"\nbars = 16\nvamp = true\n" for n in range(1, SONGS + 1))


def entries():
    """(milliseconds, frame, fields) of everything but the first and the last line."""
    step = HOURS * 3_600_000 / LINES
    second, load, song, passes = 0, 0, -1, 0
    counts = [0] * 24
    for n in range(LINES):
        ms = int(n * step)
        frame = ms * RATE // 1000
        if ms // 1000 > second:
            second = ms // 1000
            yield ms, frame, {"event": "levels", "peak_db": -12.5 - second % 9, "limiter_db": -0.5 * (second % 7 == 0)}
        elif second // 10 > load:
            load = second // 10
            counts[4], counts[9] = load * 3700, load * 50
            yield ms, None, {"event": "load", "callbacks": load * 3750, "median_percent": 0.4, "p99_percent": 4.5,
                             "largest_percent": 31.0, "counts": counts}
        elif second // 1080 > song:
            song, passes = second // 1080, 0
            yield ms, frame, {"event": "song", "song": song % SONGS, "title": f"Tide {song % SONGS + 1}"}
        elif second % 1080 // 32 >= passes:
            yield ms, frame, {"event": "section", "song": song % SONGS, "section": "verse", "pass": passes, "bar": 1,
                              "anchor": str((song * 1080 * RATE + passes * 16 * BAR) << 48), "stretch": [1, 1], "leg": 0,
                              "called": False, "from_hit": 0, "why": "vamp" if passes else "start"}
            passes += 1
        else:
            kind = n % 23
            if kind == 0:
                yield ms, frame, {"event": "xrun", "lost_frames": 64}
            elif kind == 1:
                yield ms, frame, {"event": "late-hit", "hit": n % 128, "late_frames": 40}
            elif kind == 2:
                yield ms, None, {"event": "command", "id": n, "command": "one is now"}
            elif kind == 3:
                yield ms, frame, {"event": "answer", "id": n - 1, "done": True}
            elif kind == 4:
                closes = n // 23 % 2 == 0
                yield ms, frame, {"event": "ride", "input": 0, "from_db": 0.0 if closes else -12.0,
                                  "to_db": -12.0 if closes else 0.0, "seconds": 0.3, "why": "song" if closes else "between"}
            else:
                yield ms, frame, {"event": "covered", "click": 1, "name": "band", "cause": "absent"}


def write(path):
    day = 1_795_600_000
    zone = "+00:00"
    with open(path, "w", encoding="utf-8", buffering=1 << 20) as log:
        def put(ms, frame, fields):
            at = time.gmtime(day + ms // 1000)
            stamp = f"{time.strftime('%Y-%m-%dT%H:%M:%S', at)}.{ms % 1000:03}{zone}"
            line = {"time": stamp, "ms": ms}
            if frame is not None:
                line["frame"] = frame
            log.write(json.dumps({**line, **fields}, separators=(",", ":")) + "\n")
        put(0, None, {"event": "start", "schema": 1, "program": "fogbell", "show": "Saltmarsh Five", "text": SHOW,
                      "host": "virtual", "device": "bench", "rate": RATE, "block": 128})
        for ms, frame, fields in entries():
            put(ms, frame, fields)
        put(HOURS * 3_600_000, None, {"event": "end", "reason": "as asked", "frames": HOURS * 3600 * RATE})


def run(command):
    began = time.monotonic()
    child = os.posix_spawn(command[0], command, os.environ,
                           file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)])
    _, status, usage = os.wait4(child, 0)
    if status:
        sys.exit(f"{' '.join(command)} ended with {os.waitstatus_to_exitcode(status)}")
    # Linux counts in KiB, macOS in bytes.
    megabytes = usage.ru_maxrss / (1e6 if sys.platform == "darwin" else 1e6 / 1024)
    return time.monotonic() - began, usage.ru_utime + usage.ru_stime, megabytes


def main():
    fogbell = os.path.abspath(sys.argv[1])
    with tempfile.TemporaryDirectory(dir=sys.argv[2] if len(sys.argv) > 2 else None) as folder:
        log = pathlib.Path(folder, "2026-11-25_12-00-00.jsonl")
        write(log)
        print(f"{log.stat().st_size / 1e6:.0f} MB of log")
        good = True
        for name, more in (("page", ["--out"]), ("text", ["--text"]), ("json", ["--json"])):
            rounds = [run([fogbell, "report", str(log), *more, *([f"{folder}/{n}.html"] if name == "page" else [])])
                      for n in range(3)]
            wall, cpu, memory = min(r[0] for r in rounds), min(r[1] for r in rounds), max(r[2] for r in rounds)
            print(f"{name}: {wall:.2f} s ({cpu:.2f} s of processor), {memory:.0f} MB")
            good &= memory <= 100 and (name != "page" or cpu <= 2)
        return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
