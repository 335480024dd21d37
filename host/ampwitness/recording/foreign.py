"""Recognises files that are plainly something else, so that the message can say what was given by mistake."""

from __future__ import annotations

import codecs

# First bytes, as the formats' own specifications fix them.
_SIGNATURES = (
    (b"RIFF", "it is a sound file (WAV) or of its kin; sound goes into `ampwitness virtual-board --stimulus`"),
    (b"RF64", "it is a sound file (WAV); sound goes into `ampwitness virtual-board --stimulus`"),
    (b"fLaC", "it is a sound file (FLAC)"),
    (b"OggS", "it is a sound file (Ogg)"),
    (b"ID3", "it is a sound file (MP3)"),
    (b"%PDF", "it is a PDF document"),
    (b"PK\x03\x04", "it is a ZIP archive; unpack it first"),
    (b"\x1f\x8b\x08", "it is compressed (gzip); unpack it first"),
    (b"\x28\xb5\x2f\xfd", "it is compressed (zstd); unpack it first"),
    (b"\x89PNG", "it is a picture (PNG)"),
    (b"\xff\xd8\xff", "it is a picture (JPEG)"),
    (b"\x7fELF", "it is a program"),
)


def describe_foreign(start: bytes) -> str | None:
    """What a file that begins with `start` (its first 64 KiB at least, or all of it) plainly is, or None.

    Wire bytes hold a 0x00 behind every frame, so that a file without one holds no frame.
    """
    for signature, words in _SIGNATURES:
        if start.startswith(signature):
            return words
    if not start.strip(b"\x00"):
        return f"its first {len(start)} bytes are all zero, as where a copy broke off or a disk lost what it held"
    if b"\x00" in start:
        return None
    if _is_text(start):
        return "it is a text file"
    return f"its first {len(start)} bytes hold no end of a frame"


def _is_text(start: bytes) -> bool:
    try:
        # The last character may be cut in the middle, hence the incremental decoder.
        text = codecs.getincrementaldecoder("utf-8")().decode(start)
    except UnicodeDecodeError:
        return False
    return all(character.isprintable() or character.isspace() for character in text)
