#!/usr/bin/env python3
"""Makes the sounds of the demo from nothing but the standard library; the same bytes at every run.

    python3 demo/sounds/make.py            write the WAV files beside this file
    python3 demo/sounds/make.py --check    exit 1 when a file differs from what would be written

All of it is made here, so it carries this project's own licence.
"""

import io
import math
import pathlib
import random
import sys
import wave

RATE = 48_000
HERE = pathlib.Path(__file__).parent


def gain(decibels):
    return 10 ** (decibels / 20)


def silence(frames):
    return [0.0] * frames


def add(into, sound, frame, level=0.0):
    for n, x in enumerate(sound):
        if 0 <= frame + n < len(into):
            into[frame + n] += x * gain(level)


def at_peak(samples, decibels):
    peak = max(abs(x) for x in samples)
    return [x / peak * gain(decibels) for x in samples]


def struck(hertz, decay_ms, edge=0.3, upper=2.4):
    """A wood-like hit: raised cosine up in 1 ms, exponential down to -60 dB; peak 1."""
    attack, tau = 0.001, decay_ms / 1000
    frames = round((attack + tau * 6.91) * RATE)
    out = []
    for n in range(frames):
        t = (n + 1) / RATE
        envelope = 0.5 - 0.5 * math.cos(math.pi * t / attack) if t < attack else math.exp(-(t - attack) / tau)
        envelope *= min(1.0, (frames - n) / (0.002 * RATE))
        wave_ = math.sin(2 * math.pi * hertz * t) + edge * math.exp(-t / tau) * math.sin(2 * math.pi * hertz * upper * t)
        out.append(envelope * wave_)
    return at_peak(out, 0)


def drum():
    """A kick, a snare, a hat: (samples of each), peak 1."""
    noise = random.Random(5)
    kick, snare, hat = [], [], []
    phase = 0.0
    for n in range(int(0.22 * RATE)):
        t = n / RATE
        phase += 2 * math.pi * (48 + 110 * math.exp(-t / 0.018)) / RATE
        kick.append(math.exp(-t / 0.06) * math.sin(phase) * min(1, n / 24))
    low = 0.0
    for n in range(int(0.16 * RATE)):
        t = n / RATE
        low += 0.45 * (noise.uniform(-1, 1) - low)
        tone = math.sin(2 * math.pi * 185 * t) * math.exp(-t / 0.03)
        snare.append((0.8 * low * math.exp(-t / 0.05) + 0.5 * tone) * min(1, n / 12))
    before = 0.0
    for n in range(int(0.05 * RATE)):
        t = n / RATE
        x = noise.uniform(-1, 1)
        hat.append((x - before) * math.exp(-t / 0.012) * min(1, n / 8))
        before = x
    return at_peak(kick, 0), at_peak(snare, 0), at_peak(hat, 0)


def kit(bpm=132, bars=3):
    """A simple beat, each hit on the nearest frame of its own place. Silence before bar 1 is the world's affair."""
    kick, snare, hat = drum()
    eighth = 60 * RATE / bpm / 2
    out = silence(round(bars * 8 * eighth))
    for bar in range(bars):
        for step in range(8):
            frame = round((bar * 8 + step) * eighth)
            add(out, hat, frame, -20 if step % 2 else -17)
            if step in (0, 3, 4) if bar % 2 else step in (0, 4, 5):
                add(out, kick, frame, -6)
            if step in (2, 6):
                add(out, snare, frame, -9)
    return at_peak(out, -9)


def band_track(bpm=126, groups=(2, 2, 3), bars=4, count_in=1):
    """The streamed click track of song 2: a hit on each beat of 7/8, count-in in front."""
    crotchet = 60 * RATE / bpm
    accent, beat = struck(1500, 30), struck(1000, 30)
    total = (count_in + bars) * sum(groups) * crotchet / 2
    out = silence(round(total))
    for bar in range(count_in + bars):
        eighths = bar * sum(groups)
        for number, group in enumerate(groups):
            frame = math.floor(eighths * crotchet / 2 + 0.5)
            add(out, accent if number == 0 else beat, frame, -12 if number == 0 else -15)
            eighths += group
    return out


def count(number):
    """A tonal count: a soft reed-like tone, one step higher each time."""
    hertz = 392 * 2 ** ((0, 2, 4, 7)[number - 1] / 12)
    out = []
    for n in range(int(0.22 * RATE)):
        t = n / RATE
        envelope = min(1, t / 0.003) * math.exp(-t / 0.09) * min(1, (0.22 - t) / 0.01)
        tone = sum(math.sin(2 * math.pi * hertz * k * t) / k**1.2 for k in (1, 2, 3, 4, 5))
        out.append(envelope * tone)
    return at_peak(out, -12)


def room(seconds=3, rate=24_000):
    """A hall with people in it: noise shaped as a murmur, its end faded into its start so that it loops."""
    noise = random.Random(11)
    fade = rate // 2
    raw, low, high = [], 0.0, 0.0
    for n in range(seconds * rate + fade):
        low += 0.08 * (noise.uniform(-1, 1) - low)
        high += 0.012 * (low - high)
        swell = 1 + 0.35 * math.sin(2 * math.pi * 1.3 * n / rate) + 0.25 * math.sin(2 * math.pi * 3.7 * n / rate + 1)
        raw.append((low - high) * swell)
    out = raw[: seconds * rate]
    for n in range(fade):
        part = n / fade
        # Equal power, so that the join is no louder and no softer.
        out[n] = out[n] * math.sin(part * math.pi / 2) + raw[seconds * rate + n] * math.cos(part * math.pi / 2)
    return at_peak(out, -18)


def file(samples, rate=RATE):
    bytes_ = io.BytesIO()
    with wave.open(bytes_, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate)
        out.writeframes(b"".join(round(max(-1, min(1, x)) * 32767).to_bytes(2, "little", signed=True) for x in samples))
    return bytes_.getvalue()


def all_files():
    yield "kit-132-three-bars.wav", file(kit())
    yield "eel-net-band-track.wav", file(band_track())
    yield "room-loop.wav", file(room(), 24_000)
    for number, name in enumerate(("one", "two", "three", "four"), 1):
        yield f"count-{name}.wav", file(count(number))


def main():
    differing = []
    for name, content in all_files():
        path = HERE / name
        if "--check" in sys.argv[1:]:
            if not path.is_file() or path.read_bytes() != content:
                differing.append(name)
        else:
            path.write_bytes(content)
            print(f"{name}: {len(content)} bytes")
    if differing:
        sys.exit(f"differ from what make.py writes: {', '.join(differing)}")


if __name__ == "__main__":
    main()
