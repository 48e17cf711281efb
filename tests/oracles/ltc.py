"""ltc.py FOGBELL DIRECTORY: reads the timecode that Fogbell wrote (tests/timecode.rs leaves it there) with libltc,
and lets FOGBELL read what libltc wrote.

Each file is KIND_RATE_HERTZ.wav with KIND_RATE_HERTZ.csv beside it: the addresses that were sent, in order.
Source: libltc (Debian libltc11), its public header ltc.h; it knows nothing of Fogbell.
"""

import ctypes
import ctypes.util
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

BITS = 80


class Frame(ctypes.Structure):
    """LTCFrameExt of ltc.h."""

    _fields_ = [
        ("word", ctypes.c_uint8 * 10),
        ("start", ctypes.c_longlong),
        ("end", ctypes.c_longlong),
        ("reverse", ctypes.c_int),
        ("tics", ctypes.c_float * BITS),
        ("least", ctypes.c_uint8),
        ("most", ctypes.c_uint8),
        ("volume", ctypes.c_double),
    ]


def library():
    name = ctypes.util.find_library("ltc")
    if name is None:
        sys.exit("libltc is missing. On Debian:   apt-get install -y --no-install-recommends libltc11")
    found = ctypes.CDLL(name)
    found.ltc_decoder_create.restype = ctypes.c_void_p
    found.ltc_decoder_create.argtypes = [ctypes.c_int, ctypes.c_int]
    found.ltc_decoder_free.argtypes = [ctypes.c_void_p]
    found.ltc_decoder_write_float.argtypes = [
        ctypes.c_void_p,
        ctypes.POINTER(ctypes.c_float),
        ctypes.c_size_t,
        ctypes.c_longlong,
    ]
    found.ltc_decoder_read.argtypes = [ctypes.c_void_p, ctypes.POINTER(Frame)]
    found.ltc_encoder_create.restype = ctypes.c_void_p
    found.ltc_encoder_create.argtypes = [ctypes.c_double, ctypes.c_double, ctypes.c_int, ctypes.c_int]
    found.ltc_encoder_set_timecode.argtypes = [ctypes.c_void_p, ctypes.POINTER(Timecode)]
    found.ltc_encoder_get_frame.argtypes = [ctypes.c_void_p, ctypes.c_char * 10]
    found.ltc_encoder_set_frame.argtypes = [ctypes.c_void_p, ctypes.c_char * 10]
    found.ltc_encoder_get_buffer.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    for name in ("encode_frame", "inc_timecode", "free", "get_buffersize"):
        getattr(found, f"ltc_encoder_{name}").argtypes = [ctypes.c_void_p]
    return found


class Timecode(ctypes.Structure):
    """SMPTETimecode of ltc.h."""

    _fields_ = [("zone", ctypes.c_char * 6)] + [
        (name, ctypes.c_ubyte) for name in "years months days hours mins secs frame".split()
    ]


def address(word):
    """hh:mm:ss:ff from the ten bytes, least significant bit first."""
    bits = int.from_bytes(bytes(word), "little")

    def field(at, tens_at, tens_width):
        return (bits >> at & 15) + 10 * (bits >> tens_at & ((1 << tens_width) - 1))

    mark = ";" if bits >> 10 & 1 else ":"
    return f"{field(48, 56, 2):02}:{field(32, 40, 3):02}:{field(16, 24, 3):02}{mark}{field(0, 8, 2):02}"


def read(ltc, samples, hertz, frames_a_second):
    """[(address, user bits, start)] that libltc finds, and the seconds the fastest of five took."""
    samples = np.ascontiguousarray(samples, dtype=np.float32)
    pointer = samples.ctypes.data_as(ctypes.POINTER(ctypes.c_float))
    took = float("inf")
    for _ in range(5):
        # One call for the whole file and nothing of Python in the time: the queue holds all of its words.
        decoder = ltc.ltc_decoder_create(round(hertz / frames_a_second), 256)
        begun = time.perf_counter()
        ltc.ltc_decoder_write_float(decoder, pointer, len(samples), 0)
        took = min(took, time.perf_counter() - begun)
        frame, found = Frame(), []
        while ltc.ltc_decoder_read(decoder, ctypes.byref(frame)):
            bits = int.from_bytes(bytes(frame.word), "little")
            user = sum((bits >> (8 * group + 4) & 15) << (4 * group) for group in range(8))
            found.append((address(frame.word), f"{user:08x}", frame.start))
        ltc.ltc_decoder_free(decoder)
    return found, took


def judge(ltc, path):
    samples, hertz = soundfile.read(path, dtype="float32")
    rate = float(path.stem.split("_")[1])
    lines = [line.split(",") for line in path.with_suffix(".csv").read_text().splitlines()[1:]]
    sent = [(line[0], line[1]) for line in lines]
    found, took = read(ltc, samples, hertz, rate)
    right = [word[:2] for word in found] == sent
    furthest = max((abs(word[2] - float(line[2])) for word, line in zip(found, lines)), default=0.0)
    # libltc tells starts within 3 samples of a clean signal (its table), 3 more for the other sample rates.
    ours = float(path.with_suffix(".took").read_text())
    good = right and len(sent) >= 50 and furthest <= 6.0
    print(
        f"{'ok  ' if good else 'FAIL'} {path.stem}: {len(found)} of {len(sent)} words read by libltc, "
        f"start within {furthest:.1f} samples; {len(samples) / hertz / took:.0f} times real time, "
        f"Fogbell {len(samples) / hertz / ours:.0f} (takes {ours / took:.2f} of libltc's time)"
    )
    return good


# Name, frames a second, television standard of ltc.h, drop frame.
KINDS = [
    ("23.976", 24000 / 1001, 3, False),
    ("24", 24.0, 3, False),
    ("25", 25.0, 1, False),
    ("29.97", 30000 / 1001, 0, False),
    ("29.97-drop", 30000 / 1001, 0, True),
    ("30", 30.0, 0, False),
]
WORDS = 100


def written(ltc, hertz, frames_a_second, standard, drop):
    """libltc's samples of WORDS words, and its first and last address, across a minute's end."""
    encoder = ltc.ltc_encoder_create(hertz, frames_a_second, standard, 0)
    start = Timecode(hours=1, mins=3, secs=58, frame=0)
    ltc.ltc_encoder_set_timecode(encoder, ctypes.byref(start))
    word = (ctypes.c_char * 10)()
    ltc.ltc_encoder_get_frame(encoder, word)
    # libltc takes 29.97 for drop frame; bit 10 says it.
    word[1] = word.raw[1] & ~4 | (4 if drop else 0)
    ltc.ltc_encoder_set_frame(encoder, word)
    buffer = ctypes.create_string_buffer(ltc.ltc_encoder_get_buffersize(encoder))
    pieces, addresses = [], []
    for _ in range(WORDS):
        ltc.ltc_encoder_get_frame(encoder, word)
        addresses.append(address(word.raw))
        ltc.ltc_encoder_encode_frame(encoder)
        count = ltc.ltc_encoder_get_buffer(encoder, buffer)
        pieces.append(np.frombuffer(buffer.raw[:count], dtype=np.uint8))
        ltc.ltc_encoder_inc_timecode(encoder)
    ltc.ltc_encoder_free(encoder)
    return (np.concatenate(pieces).astype(np.float32) - 128.0) / 128.0, addresses


def ours_reads(ltc, fogbell, folder, kind, hertz):
    name, frames_a_second, standard, drop = kind
    samples, addresses = written(ltc, hertz, frames_a_second, standard, drop)
    path = folder / f"libltc_{name}_{hertz}.wav"
    soundfile.write(path, samples, hertz, subtype="PCM_16")
    output = subprocess.run([fogbell, "timecode", "--read", path, "--json"], capture_output=True, text=True)
    found = json.loads(output.stdout)
    # The file ends on a word's last edge, and the first word has no earlier one to agree with.
    first, last, words = found.get("first"), found.get("last"), found.get("words", 0)
    inside = first in addresses[:2] and last in addresses[-2:]
    good = inside and words == addresses.index(last) - addresses.index(first) + 1
    good = good and abs(found["frames_a_second"] / frames_a_second - 1.0) < 1e-3
    print(
        f"{'ok  ' if good else 'FAIL'} libltc's {name} at {hertz}: {words} of {WORDS} words read by Fogbell, "
        f"{first} to {last}, {found.get('frames_a_second', 0.0):.3f} a second"
    )
    return good


def damaged(ltc, path):
    """The judge can fail: a file with a hole in it must not pass."""
    samples, hertz = soundfile.read(path, dtype="float32")
    samples[len(samples) // 2 :][: hertz // 10] = 0.0
    found, _ = read(ltc, samples, hertz, float(path.stem.split("_")[1]))
    sent = path.with_suffix(".csv").read_text().splitlines()[1:]
    good = len(found) < len(sent)
    print(f"{'ok  ' if good else 'FAIL'} a hole of 0.1 s is seen: {len(found)} of {len(sent)} words")
    return good


def main():
    ltc = library()
    fogbell, folder = sys.argv[1], Path(sys.argv[2])
    paths = sorted(folder.glob("ltc*.wav"))
    if len(paths) != 18:
        sys.exit(f"{len(paths)} of 18 files in {folder}: first run   cargo test --release --test timecode")
    verdicts = [judge(ltc, path) for path in paths] + [damaged(ltc, paths[0])]
    with tempfile.TemporaryDirectory() as made:
        for hertz in (44_100, 48_000, 96_000):
            verdicts += [ours_reads(ltc, fogbell, Path(made), kind, hertz) for kind in KINDS]
    failed = verdicts.count(False)
    print(f"oracles: {len(verdicts) - failed} passed, {failed} failed")
    sys.exit(1 if failed else 0)


main()
