"""When each hit of a show is due, computed from the show file alone, with Python's fractions.

Shares nothing with the program: the text of the show is read with tomllib, places are fractions of a whole
note, times are fractions of a second wherever the tempo stands still. A tempo that moves uses the closed forms
t(b) = integral of 60/T, each in the shape that keeps its digits near a flat ramp:
  linear in beats        t = 60 B/(T1-T0) ln(1 + (T1-T0) b/(B T0))
  linear in time         t = 120 b/(T0 + sqrt(T0^2 + (T1^2-T0^2) b/B))
  exponential in beats   t = -60 B/(T0 ln r) expm1(-b ln r/B), r = T1/T0
(own derivation; at 120 to 160 over 16 beats they give 6.90437, 6.85714 and 6.95212 s, see selftest.py).

Only what the shows here use is understood; anything else raises NotJudged, so that nothing passes unseen.
"""

import math
from dataclasses import dataclass
from fractions import Fraction

try:
    import tomllib
except ModuleNotFoundError:  # Python before 3.11
    import tomli as tomllib

NOTES = {"♩": Fraction(1, 4), "♪": Fraction(1, 8), "1/1": Fraction(1), "1/2": Fraction(1, 2), "1/4": Fraction(1, 4),
         "1/8": Fraction(1, 8), "1/16": Fraction(1, 16)}
STEPS = {"halves": Fraction(1, 2), "quarters": Fraction(1, 4), "eighths": Fraction(1, 8), "sixteenths": Fraction(1, 16)}


class NotJudged(Exception):
    """The show says something that this oracle does not compute."""


@dataclass
class Due:
    bar: int
    beat: int
    subdivision: int
    kind: str
    time: object  # a Fraction of a second, or a float behind a moving tempo
    count: bool = False


@dataclass
class SongDue:
    title: str
    hits: dict  # click -> [Due]
    beats: list  # times of every beat after the count-in
    sections: list  # (name, time) of each pass
    length: object
    exact: bool  # no tempo moves
    voiced: bool  # a voice says the counts


@dataclass
class Metre:
    groups: list
    unit: int

    @property
    def length(self):
        return Fraction(sum(self.groups), self.unit)

    def starts(self):
        at, out = 0, []
        for group in self.groups:
            out.append(Fraction(at, self.unit))
            at += group
        return out


def metre(text):
    plain, _, grouping = text.partition(" as ")
    units, _, unit = plain.partition("/")
    units, unit = int(units), int(unit)
    if grouping:
        groups = [int(part) for part in grouping.split("+")]
    elif unit <= 4:
        groups = [1] * units
    elif units % 3 == 0:
        groups = [3] * (units // 3)
    else:
        raise NotJudged(f"the grouping of {text}")
    if sum(groups) != units:
        raise NotJudged(f"{text} does not add up")
    return Metre(groups, unit)


def tempo(value, of):
    """Whole notes a minute. A plain number counts the beat, the shortest where beats differ."""
    text = str(value)
    if "=" in text:
        sign, number = (part.strip() for part in text.split("="))
        dotted = sign.endswith(".")
        note = NOTES[sign.rstrip(".")] * (Fraction(3, 2) if dotted else 1)
        return note * Fraction(number)
    return Fraction(min(of.groups), of.unit) * Fraction(value)


@dataclass
class Stretch:
    """From `start` (in whole notes from the section's start) on, until the next one."""

    start: Fraction
    rate: Fraction
    time: object  # at its start
    over: Fraction = None  # None: constant for ever
    to: Fraction = None
    law: str = None

    def at(self, place):
        b = place - self.start
        if self.over is None:
            return self.time + 60 * b / self.rate
        t0, t1, over, b = float(self.rate), float(self.to), float(self.over), float(b)
        if t0 == t1:
            return float(self.time) + 60 * b / t0
        if self.law == "linear in beats":
            t = 60 * over / (t1 - t0) * math.log1p((t1 - t0) * b / (over * t0))
        elif self.law == "linear in time":
            t = 120 * b / (t0 + math.sqrt(t0 * t0 + (t1 * t1 - t0 * t0) * b / over))
        elif self.law == "exponential in beats":
            ln = math.log1p((t1 - t0) / t0)
            t = -60 * over / (t0 * ln) * math.expm1(-b * ln / over)
        else:
            raise NotJudged(f"the law {self.law}")
        return float(self.time) + t


def stretches(rate, moves, bars):
    """Moves of the tempo inside a section, as stretches in order."""
    out = [Stretch(Fraction(0), rate, Fraction(0))]
    starts = [Fraction(0)]
    for bar in bars:
        starts.append(starts[-1] + bar.length)
    beats = [start + offset for bar, start in zip(bars, starts) for offset in bar.starts()] + [starts[-1]]
    for move in moves:
        known(move, {"bar", "beat", "to", "over_bars", "over_beats", "law"}, "a tempo move")
        first = starts[move["bar"] - 1] + bars[move["bar"] - 1].starts()[move.get("beat", 1) - 1]
        if "over_bars" in move:
            over = starts[move["bar"] - 1 + move["over_bars"]] - first
        else:
            over = beats[beats.index(first) + move.get("over_beats", 0)] - first
        before = out[-1]
        now, to = before.at(first), tempo(move["to"], bars[move["bar"] - 1])
        if over:
            out.append(Stretch(first, before.rate, now, over, to, move["law"]))
            now = out[-1].at(first + over)
        out.append(Stretch(first + over, to, now))
    return out


def time_at(parts, place):
    return [part for part in parts if part.start <= place][-1].at(place)


def known(table, keys, name):
    other = set(table) - keys
    if other:
        raise NotJudged(f"{', '.join(sorted(other))} in {name}")


def bar_hits(bar, style):
    """(place in the bar, beat from 1, subdivision, kind) of each hit of one bar."""
    every = style["every"]
    starts = bar.starts() + [bar.length]
    for beat, (start, end) in enumerate(zip(starts, starts[1:]), 1):
        if beat in style["rests"] or (every == "bars" and beat > 1):
            continue
        if every in ("bars", "beats"):
            offsets = [Fraction(0)]
        elif every == "triplets":
            offsets = [(end - start) * Fraction(k, 3) for k in range(3)]
        elif every in STEPS:
            offsets = [STEPS[every] * k for k in range(math.ceil((end - start) / STEPS[every]))]
        else:
            raise NotJudged(f"every = {every}")
        for subdivision, offset in enumerate(offsets):
            if subdivision == 0:
                kind = "accent" if beat in style["accents"] else "beat"
            elif every == "triplets" or (offset / Fraction(1, 8)).denominator == 1:
                kind = "eighth"
            else:
                kind = "sixteenth"
            yield start + offset, beat, subdivision, kind


def count_bars(song, first, rate):
    """Bars of count-in: 4/4 two, one below 80; other metres one by the grouping, two below three beats."""
    given = song.get("count_in")
    if isinstance(given, dict):
        known(given, {"bars", "voice", "level"}, "a count-in")
        given = given.get("bars")
    if given is True or given is None:
        slow = rate / Fraction(min(first.groups), first.unit) < 80
        beats = len(first.groups)
        return 2 if beats < 3 or (first.groups == [1] * 4 and first.unit == 4 and not slow) else 1
    return int(given)


def count_hits(first, bars):
    """(place, bar as printed, beat, kind): in 4/4 "1 - 2 -" before the last bar, else every beat."""
    for index in range(bars):
        for beat, start in enumerate(first.starts(), 1):
            rests = first.groups == [1] * 4 and first.unit == 4 and index < bars - 1 and beat % 2 == 0
            if not rests:
                yield index * first.length + start, index + 1 - bars, beat, "accent" if beat == 1 else "beat"


def style_of(*tables):
    style = {"every": "beats", "accents": [1], "rests": []}
    for table in tables:
        known(table, {"every", "accents", "rests", "player", "fallback", "level", "levels", "sound", "stream", "fade"},
              "a click")
        style.update({key: value for key, value in table.items() if key in style})
    return style


def song_due(song, clicks):
    known(song, {"title", "note", "tempo", "metre", "bars", "count_in", "click", "section", "encore", "segue"}, "a song")
    sections = song.get("section") or [{"bars": song["bars"]}]
    of_click = song.get("click", {})
    current = metre(song.get("metre", sections[0].get("metre", "4/4")))
    rate = None
    due = SongDue(song["title"], {name: [] for name in clicks}, [], [], Fraction(0), True, False)
    counting = song.get("count_in")
    due.voiced = isinstance(counting, dict) and "voice" in counting
    number = 0
    for index, section in enumerate(sections):
        known(section, {"name", "bars", "repeats", "metre", "metre_changes", "tempo", "tempo_moves", "click"}, "a section")
        current = metre(section["metre"]) if "metre" in section else current
        bars = []
        changes = {change["bar"]: metre(change["metre"]) for change in section.get("metre_changes", [])}
        for bar in range(1, section["bars"] + 1):
            current = changes.get(bar, current)
            bars.append(current)
        given = section.get("tempo", song.get("tempo") if rate is None else None)
        rate = tempo(given, bars[0]) if given is not None else rate
        if index == 0:
            counted = count_bars(song, bars[0], rate)
            for place, bar, beat, kind in count_hits(bars[0], counted):
                for hits in due.hits.values():
                    kind = "count" if due.voiced else kind
                    hits.append(Due(bar, beat, 0, kind, 60 * place / rate, count=True))
            due.length = 60 * counted * bars[0].length / rate
        parts = stretches(rate, section.get("tempo_moves", []), bars)
        due.exact = due.exact and not any(part.over for part in parts)
        for _ in range(section.get("repeats", 1)):
            due.sections.append((section.get("name", ""), due.length))
            start = Fraction(0)
            for bar in bars:
                number += 1
                due.beats += [due.length + time_at(parts, start + place) for place in bar.starts()]
                for name, base in clicks.items():
                    style = style_of(base, of_click.get(name, {}), section.get("click", {}).get(name, {}))
                    for place, beat, subdivision, kind in bar_hits(bar, style):
                        when = due.length + time_at(parts, start + place)
                        due.hits[name].append(Due(number, beat, subdivision, kind, when))
                start += bar.length
            due.length += time_at(parts, start)
        rate = parts[-1].rate
    return due


def read(path):
    """The songs of a show with a click, in order."""
    with open(path, "rb") as file:
        show = tomllib.load(file, parse_float=Fraction)
    clicks = show.get("click") or {"click": {}}
    return show, [song_due(song, clicks) for song in show["song"] if song.get("kind", "click") == "click"]


def frame(time, rate):
    """The nearest frame, halves up, and how far (in frames) the time is from a tie between two frames."""
    place = time * rate
    nearest = math.floor(place + Fraction(1, 2)) if isinstance(place, Fraction) else math.floor(place + 0.5)
    return nearest, abs(float(place - math.floor(place)) - 0.5)
