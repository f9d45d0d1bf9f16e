"""Bytes from a line become whole, checked lines, whatever the chunks in which they come."""

from __future__ import annotations

import itertools
import zlib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.contract import Rejection
from adapters.framing.rejections import Why
from adapters.framing.serial_lines import CHECKSUM_MODES, LineSplitter, with_checksum

PATIENT = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # a busy machine is no failure


def outcome(splitter: LineSplitter, *chunks: bytes) -> list[bytes | str]:
    """Feed chunks and give the lines, a rejection as its reason."""
    out: list[bytes | str] = []
    for chunk in chunks:
        out += [item.reason if isinstance(item, Rejection) else item for item in splitter.feed(chunk)]
    return out


def test_the_checksum_is_the_published_crc_32() -> None:
    """CRC-32/ISO-HDLC over "123456789" is CBF43926, the check value that every CRC catalogue gives for it."""
    assert with_checksum(b"123456789") == b"123456789*CBF43926"


def test_the_checksum_agrees_with_the_definition_bit_by_bit() -> None:
    """The fast CRC is the same as the one that PROTOCOL.md describes for a microcontroller, bit by bit."""
    line = b'[{"n":"loft/humidity","u":"%RH","v":47.2}]'
    crc = 0xFFFFFFFF
    for byte in line:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0xEDB88320 if crc & 1 else 0)
    assert with_checksum(line)[-8:] == b"%08X" % (crc ^ 0xFFFFFFFF)


def test_lines_end_in_lf_or_cr_lf_and_comments_and_blanks_are_nothing() -> None:
    """Both line ends work; what begins with # and what is empty is passed over."""
    assert outcome(LineSplitter(), b"[1]\r\n# hello\n\n  \r\n[2]\n[3") == [b"[1]", b"[2]"]


def test_a_torn_first_line_is_dropped_and_a_whole_one_kept() -> None:
    """What comes before the first line end counts only if it begins like a pack."""
    assert outcome(LineSplitter(), b'y","v":4}]\n[2]\n') == [b"[2]"]
    assert outcome(LineSplitter(), b"[1]\n[2]\n") == [b"[1]", b"[2]"]
    assert outcome(LineSplitter(), b"\n", b"x]\n") == [b"x]"]


def test_a_line_without_end_is_refused_once_and_the_next_one_taken() -> None:
    """Endless noise costs one line's memory; after the next line end everything is as before."""
    splitter = LineSplitter(max_line_bytes=100)
    assert outcome(splitter, b"[1]\n", b"\xff" * 101, b"\xff" * 5000, b"\xff\n[2]\n") == [b"[1]", Why.TOO_LONG, b"[2]"]
    assert outcome(splitter, b"[" + b"3" * 100 + b"\n[4]\n") == [Why.TOO_LONG, b"[4]"]


@pytest.mark.parametrize(
    ("mode", "line", "wanted"),
    [
        ("accept", b"[1]", b"[1]"),
        ("accept", with_checksum(b"[1]"), b"[1]"),
        ("accept", with_checksum(b"[1]").lower(), b"[1]"),
        ("accept", b"[1]*00000000", Why.CHECKSUM_WRONG),
        ("accept", with_checksum(b"[1]").replace(b"1", b"2", 1), Why.CHECKSUM_WRONG),
        ("require", with_checksum(b"[1]"), b"[1]"),
        ("require", b"[1]", Why.CHECKSUM_MISSING),
        ("require", b"[1]*1234", Why.CHECKSUM_MISSING),
        ("off", b"[1]*00000000", b"[1]"),
        ("off", b"[1]", b"[1]"),
    ],
)
def test_checksums_by_mode(mode: str, line: bytes, wanted: bytes | str) -> None:
    """Accept checks what is there, require insists, off looks at none."""
    assert outcome(LineSplitter(mode), line + b"\r\n") == [wanted]


def test_an_unknown_mode_is_refused() -> None:
    """A mode that does not exist is not taken for another."""
    with pytest.raises(ValueError, match="off"):
        LineSplitter("maybe")


LINES = st.lists(st.binary(max_size=30).map(lambda b: b"[" + b.replace(b"\n", b"").replace(b"\r", b"").strip() + b"]"))


@PATIENT
@given(LINES, st.lists(st.integers(0, 400), max_size=20), st.booleans())
def test_chunks_do_not_matter(lines: list[bytes], cuts: list[int], checked: bool) -> None:
    """However the bytes are cut up, the same lines come out, with checksums and without."""
    stream = b"".join((with_checksum(line) if checked else line) + b"\r\n" for line in lines)
    edges = [0, *sorted(cuts), len(stream)]
    chunks = [stream[a:b] for a, b in itertools.pairwise(edges)]
    assert outcome(LineSplitter("require" if checked else "off"), *chunks) == lines


@PATIENT
@given(LINES.filter(bool), st.integers(0, 10_000), st.integers(0, 7))
def test_a_flipped_bit_never_passes_a_required_checksum(lines: list[bytes], where: int, bit: int) -> None:
    """CRC-32 finds every single flipped bit: no line comes out changed."""
    stream = bytearray(b"".join(with_checksum(line) + b"\n" for line in lines))
    stream[where % len(stream)] ^= 1 << bit
    passed = [line for line in outcome(LineSplitter("require"), bytes(stream)) if isinstance(line, bytes)]
    assert set(passed) <= set(lines)


@settings(PATIENT, max_examples=300)
@given(st.lists(st.binary(max_size=300), max_size=10), st.sampled_from(CHECKSUM_MODES))
def test_nothing_that_arrives_can_break_the_splitter(chunks: list[bytes], mode: str) -> None:
    """Any bytes give lines and rejections, no line longer than the cap, and never hold more than one line."""
    splitter = LineSplitter(mode, max_line_bytes=64)
    for chunk in chunks:
        for item in splitter.feed(chunk):
            if isinstance(item, bytes):
                assert 0 < len(item) <= 64
                assert b"\n" not in item
                if mode == "require":
                    assert b"*%08X" % zlib.crc32(item) in b"".join(chunks).upper()
