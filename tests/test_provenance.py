"""What names the code that figures followed from."""

from __future__ import annotations

from monitor.provenance import ANALYSIS, digest_of_code


def test_the_precedents_are_part_of_the_analysis() -> None:
    """Without its data files the analysis has another digest: other precedents judge otherwise."""
    assert digest_of_code(*ANALYSIS) != digest_of_code(*(one for one in ANALYSIS if not one.endswith(".npz")))


def test_the_same_files_have_the_same_digest() -> None:
    """A digest is 64 hexadecimal digits (SHA-256, FIPS 180-4), the same when asked again."""
    digest_of_code.cache_clear()
    first = digest_of_code(*ANALYSIS)
    digest_of_code.cache_clear()
    assert digest_of_code(*ANALYSIS) == first
    assert len(bytes.fromhex(first)) == 32
