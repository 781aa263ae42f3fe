"""What a person wrote, apart from what mail programs quote, sign and add."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reply_scene import ATTRIBUTION, HEAD, LANGUAGES, STYLES

from gonogo.replies.quoting import own_lines

WRITTEN = ("N3 11.2", "N2 watered 6950 gal")
OURS = ("COMPACT N1 Ramp toe 7:00 AM to 4:25 PM", "N2 watered 9999 gal", "N1 rolled 9", "undo 17", "yes")


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("style", STYLES)
def test_only_what_was_written_is_read_whatever_the_program_quotes(style: str, language: str) -> None:
    lines = STYLES[style](WRITTEN, OURS, language)
    assert own_lines("\n".join(lines)) == WRITTEN
    assert own_lines("\r\n".join(lines)) == WRITTEN


@pytest.mark.parametrize(
    "below",
    [
        ("-- ", "Ana Boss", "N3 99"),
        ("--", "N3 99"),
        ("Sent from my phone", "N3 99"),
        ("Enviado desde mi teléfono", "N3 99"),
        ("Enviado do meu telefone", "N3 99"),
        ("Envoyé de mon téléphone", "N3 99"),
        ("Thanks,", "Ana"),
        ("Gracias", "Ana Boss"),
        ("Obrigado!",),
        ("Cordialement,", "Ana Boss"),
    ],
)
def test_signatures_and_courtesies_are_no_entries(below: tuple[str, ...]) -> None:
    text = "\n".join(("Hi gonogo,", "", *WRITTEN, "", *below))
    assert own_lines(text, name="Ana Boss") == WRITTEN


@pytest.mark.parametrize("line", ["not done", "forget that", "N3 wet", "call me", "cancel the last", "Bob"])
def test_what_is_no_courtesy_stays_and_makes_a_question(line: str) -> None:
    assert own_lines("\n".join((*WRITTEN, line)), name="Ana Boss") == (*WRITTEN, line)


def test_an_entry_right_above_the_sentence_that_quotes_is_kept() -> None:
    assert own_lines(f"N3 11.2\n{ATTRIBUTION['en']}\n> N2 watered 9999 gal") == ("N3 11.2",)
    assert own_lines("N3 11.2\nOn Tue, May 12, 2026 at 5:31 AM gonogo\n<gonogo@example.com>\nwrote:\n> a") == (
        "N3 11.2",
    )


def test_a_strip_with_a_colon_is_no_head() -> None:
    assert own_lines("N3: 11.2\nN2: 12.4") == ("N3: 11.2", "N2: 12.4")


def test_a_quoted_marker_ends_what_is_read() -> None:
    assert own_lines("> = = = gonogo: above = = =\n> N1 rolled 9\nN3 11.2") == ()


LINE = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), max_size=60).filter(
    lambda text: not set(text) & set("\r\n\x0b\x0c\x1c\x1d\x1e\x85\u2028\u2029")
)


@settings(max_examples=300, deadline=None)
@given(
    body=st.lists(LINE, max_size=12),
    style=st.sampled_from(sorted(STYLES)),
    language=st.sampled_from(LANGUAGES),
    mine=st.lists(st.sampled_from(["N3 11.2", "N1 rolled 6", "", "N2 watered 9000"]), max_size=4),
)
def test_no_line_of_the_quoted_mail_is_ever_read(body: list[str], style: str, language: str, mine: list[str]) -> None:
    text = "\n".join(STYLES[style](mine, body, language))
    assert own_lines(text) == tuple(line for line in mine if line)


@settings(max_examples=300, deadline=None)
@given(text=st.text(max_size=400))
def test_any_text_gives_lines_of_its_own(text: str) -> None:
    for line in own_lines(text):
        assert line.strip() == line
        assert not line.startswith(">")


def test_each_language_has_its_head_and_sentence() -> None:
    assert set(HEAD) == set(ATTRIBUTION) == set(LANGUAGES)
