"""Which signing domain stands for the domain of an address."""

from __future__ import annotations

import pytest

from gonogo.replies.trust import is_aligned


@pytest.mark.parametrize(
    ("signing", "is_theirs"),
    [
        ("example.com", True),
        ("Example.COM.", True),
        ("site.example.com", True),
        ("ample.com", False),
        ("xample.com", False),
        ("com", False),
        ("other.example.com", False),
        ("", False),
    ],
)
def test_a_domain_is_signed_for_by_itself_or_by_one_that_holds_it(signing: str, is_theirs: bool) -> None:
    assert is_aligned(signing, "site.example.com") is is_theirs
