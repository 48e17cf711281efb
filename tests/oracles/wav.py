"""WAV files as bytes: the chunks that libsndfile's Python binding does not show."""

import struct


def chunks(path):
    """(id, body) of each chunk of a RIFF or RF64 file; raises ValueError where sizes do not fit the file."""
    with open(path, "rb") as file:
        data = file.read()
    if data[:4] not in (b"RIFF", b"RF64") or data[8:12] != b"WAVE":
        raise ValueError("no RIFF/WAVE head")
    if data[:4] == b"RIFF" and struct.unpack("<I", data[4:8])[0] + 8 != len(data):
        raise ValueError("the RIFF size does not fit the file")
    at, out = 12, []
    while at < len(data):
        if at + 8 > len(data):
            raise ValueError("a torn chunk head at the end")
        size = struct.unpack("<I", data[at + 4 : at + 8])[0]
        if at + 8 + size > len(data):
            raise ValueError(f"chunk {data[at:at + 4]!r} runs past the end")
        out.append((data[at : at + 4], data[at + 8 : at + 8 + size]))
        at += 8 + size + size % 2
    return out


def cues(found):
    """[(frame, label)] by place, from "cue " and LIST adtl."""
    body = next((body for name, body in found if name == b"cue "), None)
    if body is None:
        return []
    count = struct.unpack("<I", body[:4])[0]
    places = {}
    for index in range(count):
        number, place, kind, _, _, offset = struct.unpack("<II4sIII", body[4 + 24 * index : 28 + 24 * index])
        if kind != b"data" or place != offset:
            raise ValueError("a cue point that does not lie in the data chunk")
        places[number] = offset
    labels = {}
    for name, body in found:
        if name != b"LIST" or body[:4] != b"adtl":
            continue
        at = 4
        while at + 8 <= len(body):
            size = struct.unpack("<I", body[at + 4 : at + 8])[0]
            if body[at : at + 4] == b"labl":
                text = body[at + 12 : at + 8 + size].split(b"\0")[0]
                labels[struct.unpack("<I", body[at + 8 : at + 12])[0]] = text.decode("utf-8")
            at += 8 + size + size % 2
    return sorted((place, labels.get(number, "")) for number, place in places.items())


def bext(found):
    """The fields of a broadcast extension (EBU Tech 3285), or None."""
    body = next((body for name, body in found if name == b"bext"), None)
    if body is None:
        return None
    if len(body) < 602:
        raise ValueError("bext is shorter than 602 bytes")
    text = lambda start, length: body[start : start + length].split(b"\0")[0].decode("ascii")
    reference, version = struct.unpack("<QH", body[338:348])
    return {
        "description": text(0, 256), "originator": text(256, 32), "reference": text(288, 32), "date": text(320, 10),
        "time": text(330, 8), "time_reference": reference, "version": version, "history": body[602:].decode("ascii"),
    }
