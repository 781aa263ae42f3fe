"""What is sent: two whole parts, safe headers, the same bytes each time, small enough, and readable anywhere."""

from __future__ import annotations

import email
import email.policy
import html as html_text
import math
import re
from dataclasses import replace
from datetime import timedelta
from email.message import EmailMessage
from pathlib import Path

import mail_scene as scene
import pytest

from gonogo.errors import ConfigError
from gonogo.mail import letter, render
from gonogo.mail.items import MorningView
from gonogo.mail.letter import RenderedMail
from gonogo.morning import compute
from gonogo.outgoing import mails, notices
from gonogo.outgoing.folder import page_of
from gonogo.records.site import Recipient, Strip
from gonogo.records.verdict import Verdict
from gonogo.records.work_order import Change
from gonogo.wording import language, sentences

ROLES = ("superintendent", "driver", "planner")
ENVELOPE = {
    "sender": "gonogo@example.com",
    "reply_to": "reply@example.com",
    "message_id": "<amberbank.2026-06-17.north@example.com>",
    "date_utc": scene.NOW_UTC,
}


def morning_texts() -> tuple[str, ...]:
    return (
        compute.NO_FORECAST_TEXT,
        compute.COMPUTATION_TEXT,
        compute.OVERRUN_TEXT,
        compute.CONFIG_TEXT,
        mails.UNWRITTEN_TEXT,
        notices.LATE_MAIL_TEXT,
        notices.LATE_RECHECK_TEXT,
    )


def morning(strips: tuple[Strip, ...] = scene.STRIPS, **changes: object) -> MorningView:
    moved = (Change(strip_id="N3", what="verdict", before="compact", after="wait"),)
    return scene.built(strips=strips, **({"changes": moved} | changes))


def mail(kind: str, made: MorningView | None = None, **changes: str) -> RenderedMail:
    return render.message(made or morning(), scene.person(kind, **changes), **ENVELOPE)  # type: ignore[arg-type]


def parsed(raw: bytes) -> EmailMessage:
    message = email.message_from_bytes(raw, policy=email.policy.default)
    assert isinstance(message, EmailMessage)
    return message


def seen(html: str) -> str:
    """Return what a reader sees of a page whose pictures are not shown."""
    body = re.sub(r"<(style|title)\b.*?</\1>", " ", html, flags=re.DOTALL)
    body = re.sub(r'<img\b[^>]*\balt="([^"]*)"[^>]*>', r" \1 ", body)
    return " ".join(html_text.unescape(re.sub(r"<[^>]+>", " ", body)).split())


# --- the message ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", ROLES)
def test_a_mail_has_a_text_part_and_an_html_part_in_that_order(role: str) -> None:
    sent = mail(role)
    message = parsed(sent.raw)
    assert message.get_content_type() == "multipart/alternative"  # without a picture and without a calendar
    assert [p.get_content_type() for p in message.iter_parts()] == ["text/plain", "text/html"]
    text, html = message.iter_parts()
    assert text.get_content().splitlines() == sent.text.splitlines()
    assert html.get_content().splitlines() == sent.html.splitlines()


def test_pictures_travel_inside_the_mail_and_stand_in_the_page_of_the_folder_too() -> None:
    sent = mail("planner", morning(paths=scene.paths()))
    message = parsed(sent.raw)
    text, related = message.iter_parts()
    assert [p.get_content_type() for p in related.iter_parts()] == ["text/html", "image/png", "image/png"]
    assert text.get_content().splitlines() == sent.text.splitlines()
    alts = re.findall(r'<img [^>]*alt="([^"]+)"', sent.html)
    assert len(alts) == 2
    flowing = " ".join(sent.text.split())
    for sentence in re.split(r"(?<=\.) (?=[A-Z])", " ".join(html_text.unescape(a).replace("\xa0", " ") for a in alts)):
        assert sentence in flowing  # what the picture says stands in the text part too
    page = page_of(message)
    assert page is not None
    assert page.count("data:image/png;base64,iVBOR") == 2
    assert "cid:" not in page
    assert sent.raw == mail("planner", morning(paths=scene.paths())).raw
    assert "image/png" not in mail("driver", morning(paths=scene.paths())).raw.decode()


def test_two_mails_of_a_crew_name_their_pictures_apart() -> None:
    made = morning(paths=scene.paths())
    raws = [
        render.message(made, scene.person("planner"), **(ENVELOPE | {"message_id": f"<{k}@example.com>"})).raw  # type: ignore[arg-type]
        for k in range(2)
    ]
    names = [{p["content-id"] for p in parsed(raw).walk() if p["content-id"]} for raw in raws]
    assert names[0] & names[1] == set()


def test_headers_say_who_when_and_that_no_human_wrote_it() -> None:
    message = parsed(mail("superintendent").raw)
    assert message["To"].addresses[0].display_name == "Zoë Nuñez-Łęcka"
    assert message["To"].addresses[0].addr_spec == "superintendent@example.com"
    assert message["From"].addresses[0].addr_spec == "gonogo@example.com"
    assert message["Reply-To"] == "reply@example.com"
    assert message["Message-ID"] == ENVELOPE["message_id"]
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["Content-Language"] == "en"
    assert message["Date"].datetime == scene.NOW_UTC.replace(second=0)


def test_without_a_reply_address_there_is_no_reply_header() -> None:
    raw = render.message(morning(), scene.person("driver"), **(ENVELOPE | {"reply_to": ""})).raw  # type: ignore[arg-type]
    assert parsed(raw)["Reply-To"] is None


@pytest.mark.parametrize("role", ROLES)
def test_bytes_are_the_same_each_time_and_fit_servers_of_seven_bits(role: str) -> None:
    raw = mail(role).raw
    assert raw == mail(role).raw
    assert raw.isascii()
    assert max(len(line) for line in raw.split(b"\r\n")) <= 78
    assert b"\n" not in raw.replace(b"\r\n", b"")


@pytest.mark.parametrize("key", ["name", "address"])
@pytest.mark.parametrize("evil", ["a\r\nBcc: thief@example.com", "a\nb", "a\rb", "a\u2028b", "a\x00b"])
def test_a_name_or_an_address_cannot_bring_a_header_along(key: str, evil: str) -> None:
    value = evil if key == "name" else f"{evil}@example.com"
    with pytest.raises(ConfigError, match=f"recipient.{key}"):
        mail("driver", **{key: value})


@pytest.mark.parametrize(
    "address", ["", "nobody", "a b@example.com", "<a@example.com>", "a@example.com, b@example.com", "ñ@example.com"]
)
def test_what_is_no_plain_address_is_refused(address: str) -> None:
    with pytest.raises(ConfigError, match=r"recipient\.address"):
        mail("driver", address=address)


@pytest.mark.parametrize("address", ["a@example.com", "a.b+c@mail.example.org", "crew_7@xn--bcher-kva.example"])
def test_a_plain_address_is_accepted(address: str) -> None:
    assert parsed(mail("driver", address=address).raw)["To"].addresses[0].addr_spec == address


@pytest.mark.parametrize("key", ["sender", "reply_to", "message_id"])
def test_the_service_s_own_headers_are_checked_too(key: str) -> None:
    with pytest.raises(ConfigError, match=key):
        render.message(morning(), scene.person("driver"), **(ENVELOPE | {key: "a@example.com\r\nBcc: b@example.com"}))  # type: ignore[arg-type]


def test_a_site_name_with_a_line_break_stays_inside_its_header() -> None:
    made = replace(morning(), crew="North\r\nBcc: thief@example.com")
    message = parsed(mail("superintendent", made).raw)
    assert message["Bcc"] is None
    assert "North Bcc: thief@example.com" in message["Subject"]


@pytest.mark.parametrize(("key", "value"), [("role", "visitor"), ("role", "../driver"), ("language", "klingon")])
def test_an_unknown_role_or_language_is_refused(key: str, value: str) -> None:
    with pytest.raises(ConfigError, match=key):
        mail("driver", **{key: value})


# --- the parts -----------------------------------------------------------------------------------------------


def a_big_site(n_strips: int) -> MorningView:
    """Return a morning of one crew with many strips, all with a long list of things to do."""
    strips = tuple(scene.strip(f"B{k:03}", f"B{k:03} embankment") for k in range(n_strips))
    pattern = scene.decisions()
    decisions = [replace(pattern[k % 5], strip_id=s.id) for k, s in enumerate(strips)]
    rows = scene.outlook(10)
    outlook = [replace(o, strip_id=s.id) for s in strips for o in rows[:10]]
    materials_used = scene.STRIPS[0].material_id
    assert all(s.material_id == materials_used for s in strips)
    return morning(strips, decisions=decisions, outlook=outlook)


@pytest.mark.parametrize("n_strips", [40, 300])
@pytest.mark.parametrize("role", ROLES)
def test_a_site_of_any_size_stays_under_the_limit_and_loses_no_strip(role: str, n_strips: int) -> None:
    sent = mail(role, a_big_site(n_strips))
    assert 0 < len(sent.html.encode()) < render.HTML_BYTES_MAX
    # Of five strips two get water; to the driver the others are "any other strip".
    wanted = range(n_strips) if role != "driver" else [k for k in range(n_strips) if k % 5 < 2]
    missing = [f"B{k:03}" for k in wanted if f"B{k:03}" not in sent.text]
    assert missing == []
    left_out = [k for k in wanted if f"B{k:03}" not in sent.html]
    assert bool(left_out) == ("in the plain-text part of this mail" in sent.html)


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("role", ROLES)
def test_text_lines_stay_under_78_columns(role: str, units: str) -> None:
    for made in (morning(), morning(weather=None), a_big_site(12)):
        sent = mail(role, made, units=units)
        long = [line for line in sent.text.splitlines() if len(line) >= 78 and "http" not in line]
        assert long == []
        assert "\n\n\n" not in sent.text
        assert "\u00a0" not in sent.text


def test_a_word_longer_than_a_line_is_the_only_long_line() -> None:
    service = scene.weather(attribution=(("word " * 40, "https://example.com/" + "a" * 90),))
    lines = mail("driver", morning(weather=service)).text.splitlines()
    assert [line for line in lines if len(line) >= 78] == ["  https://example.com/" + "a" * 90]


@pytest.mark.parametrize("role", ROLES)
def test_the_subject_says_the_day_in_a_few_words(role: str) -> None:
    for made in (morning(), morning(weather=None)):
        subject = mail(role, made).subject
        assert "17 Jun" in subject
        assert len(subject) <= 70
        # The crew's name comes on top of the words about the day.
        assert len(subject.replace("·", " ").replace("North crew", " ").split()) <= 12


def test_the_subject_of_each_role_is_what_that_reader_came_for() -> None:
    assert mail("superintendent").subject == "Compact 2, water 1, test 1, wait 1 · Wed 17 Jun · North crew"
    assert mail("driver").subject == "N2 and N1: 3 loads, 19,800 L · Wed 17 Jun · North crew"
    assert mail("planner").subject == "N3: WAIT · Wed 17 Jun · Amberbank Dam"
    assert mail("driver", morning(edition="noon")).subject.startswith("Changed: N2 and N1: 3 loads")


@pytest.mark.parametrize("role", ROLES)
def test_without_a_verdict_the_first_line_says_so(role: str) -> None:
    sent = mail(role, morning(weather=None))
    assert sent.subject.casefold().startswith("no verdict, test on site")
    first = {
        "superintendent": "No verdict: decide on site with a test.",
        "driver": "No water is ordered. Wait for the superintendent.",
        "planner": "No verdict, test on site",
    }
    lines = [line for line in sent.text.splitlines() if line]
    assert lines[1] == "No usable forecast: test before anything is rolled or watered."
    assert lines[2] == first[role]
    for word in ("COMPACT", "WATER FIRST"):
        assert word not in seen(sent.html).replace("COMPACT is now WAIT", "")
    assert not re.search(r"\d L\b", sent.text)


@pytest.mark.parametrize("role", ROLES)
def test_an_old_forecast_is_told_before_any_strip(role: str) -> None:
    old = scene.weather(status=scene.ForecastStatus.OLD, fetched_utc=scene.NOW_UTC - timedelta(hours=9))
    sent = mail(role, morning(weather=old))
    for part in (" ".join(sent.text.split()), seen(sent.html)):
        assert (
            part.index("OLD FORECAST: Open-Meteo, fetched")
            < part.index("9 h old.")
            < part.index("N2", part.index("9 h old."))
        )
    assert "OLD FORECAST" not in mail(role).text


def test_every_sentence_of_a_decision_can_be_said_with_every_number_unknown() -> None:
    nowhere: dict[str, float] = {}
    for table in ("reason", "advice", "test", "water_warning", "limit"):
        for key in sentences.VOCABULARY[table]:
            changes: dict[str, object] = {"facts": nowhere, "reading_age_h": math.nan, "w_now_pct": math.nan}
            if table in ("water_warning", "limit"):
                changes["water"] = scene.water(
                    "N1", **({"warnings": (key,)} if table == "water_warning" else {"limited_by": key})
                )
            elif table != "reason":
                changes[table] = (key,)
            decision = scene.decision("N1", Verdict.WAIT, key if table == "reason" else "too_wet", **changes)
            text = mail(
                "driver" if table in ("water_warning", "limit") else "superintendent", morning(decisions=(decision,))
            ).text
            assert not re.search(r"\bnan\b|\binf\b|[{}]|None", text), key


def test_the_superintendent_reads_all_that_a_strip_needs() -> None:
    text = " ".join(mail("superintendent").text.split())
    for piece in (
        "(( WATER FIRST )) N2 upstream by 09:30",
        "18,400 L, 06:15–08:05. Mix in, test; roll 09:30–12:10 if 15.4–18.1. Now 13.9%. Gauge 16.2, Tue 16:30.",
        "- WAIT - N3 core until about Fri 19 morning Too wet. 19.4%, 0.9 over the window.",
        "Seal N3 13:15–13:45: rain today.",
        "N2: Too dry: water and roll today.",
        "Else too dry 12%, too wet 4%.",
        "Note: Culvert below the east end.",
    ):
        assert piece in text, piece


def test_the_first_screen_stands_before_all_else() -> None:
    sent = mail("superintendent", morning(paths=scene.paths()))
    for part in (sent.text, seen(sent.html)):
        above, title, below = part.partition("Behind it")
        assert title
        assert "N5 toe" in above
        for behind in ("What changed", "Moisture in the days ahead", "Not sure of", "Sources"):
            assert behind in below
            assert behind not in above


def test_what_holds_for_several_strips_is_said_once_with_their_names() -> None:
    crown = "Crown the surface and open the drains, so that rain runs off."
    everywhere = tuple(replace(d, advice=("crown_and_drain",), test=()) for d in scene.decisions())
    sent = mail("superintendent", morning(decisions=everywhere))
    for part in (" ".join(sent.text.split()), seen(sent.html)):
        assert part.count(crown) == 1
        assert f": {crown}" not in part
    some = tuple(
        replace(d, advice=("crown_and_drain",) if d.strip_id in ("N1", "N2") else (), test=())
        for d in scene.decisions()
    )
    assert f"N2 and N1: {crown}" in " ".join(mail("superintendent", morning(decisions=some)).text.split())
    big = a_big_site(40)  # eight strips of each kind: their names would hide what is to be done on each
    assert mail("superintendent", big).text.count("Spread no more than can be rolled") == 8


def test_the_driver_reads_all_that_a_strip_needs() -> None:
    text = " ".join(mail("driver").text.split())
    for piece in (
        "N2 and N1: 3 loads, 19,800 L, done by 09:15.",
        "1. N2 upstream: 18,400 L",
        "STOP AND CALL if N2 was watered since Tue 16:30: no water is on record.",
        "LOAD 1 0 m to 156 m, 12,000 L LOAD 2 156 m to 240 m, 6,400 L",
        "leave to fill 05:50, on the strip 06:15; again about 07:00",
        "Speed 6.3 km/h: 156 m in 89 s",
        "Runs 3 lanes × 3 passes",
        "mix it in over the whole lift, let it soak, test; no second dose",
        "2. N1 upstream: 1,400 L",
        "only keep the surface damp",
        "Nothing on N4, N3 and N5 unless the superintendent calls.",
        "Stop for rain (from about 14:00), 0 °C, standing or running water, lightning.",
    ):
        assert piece in text, piece


def test_a_driver_with_nothing_to_water_has_three_lines() -> None:
    dry = tuple(replace(d, water=None) for d in scene.decisions() if d.verdict != Verdict.WATER)
    text = mail("driver", morning(decisions=dry, order=None)).text
    said = [line for line in text.partition("Forecast: ")[0].splitlines()[1:] if line]
    assert said == [
        "No strip needs water today.",
        "Nothing on N1, N4, N3 and N5 unless the superintendent calls.",
        "Advice from a model: tests, specification, local codes and engineer decide.",
        "Site time. Forecast 25 min old.",
    ]


def test_the_planner_reads_each_day_of_each_strip() -> None:
    text = mail("planner").text
    row = next(line for line in text.splitlines() if line.startswith("N3 core "))
    assert row.split()[2:] == ["71%*", "82%*", "93%*", "off", "off", "60%", "50%", "40%"]
    assert "- N3: COMPACT is now WAIT." in text


def test_the_planner_reads_what_water_would_bring_and_which_lift_is_done() -> None:
    sent = mail("planner")
    lines = sent.text.splitlines()
    place = next(k for k, line in enumerate(lines) if line.startswith("N2 upstream"))
    assert lines[place + 1].split().count("w") == 1  # where the strip can be worked dry, its hours stand there
    assert "w 80%" in lines[place + 1]
    assert next(line for line in lines if line.startswith("N4 filter")).split()[-1] == "done"
    for piece in ("w 80%", ">done<"):
        assert piece in sent.html


def test_each_reader_gets_one_s_own_units() -> None:
    metric, us = mail("driver"), mail("driver", units="us")
    assert "gal" not in metric.text
    assert "mph" not in metric.text
    assert not re.search(r"\d (L|m|mm|km/h|°C)\b", us.text)
    assert "4,850 gal" in us.text


@pytest.mark.parametrize("role", ROLES)
def test_text_and_html_tell_the_same_numbers(role: str) -> None:
    sent = mail(role)
    numbers = re.compile(r"\d[\d.,:]*\d|\d")
    in_text = set(numbers.findall(sent.text.replace("https://open-meteo.com/", "")))
    in_html = set(numbers.findall(seen(sent.html)))
    assert in_text <= in_html
    assert {n for n in in_html - in_text if ":" not in n} == set()


def test_markup_in_a_name_is_shown_and_not_obeyed() -> None:
    strips = (replace(scene.STRIPS[0], name="<script>alert(1)</script>", note="a & b <b>"), *scene.STRIPS[1:])
    html = mail("superintendent", morning(strips)).html
    assert "<script" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
    assert "a &amp; b &lt;b&gt;" in html


def test_template_marks_in_a_name_are_shown_and_not_obeyed() -> None:
    strips = (replace(scene.STRIPS[0], name="{{ view }} {litres}"), *scene.STRIPS[1:])
    assert "{{ view }} {litres}" in mail("superintendent", morning(strips)).text


@pytest.mark.parametrize("link", ["javascript:alert(1)", "data:text/html,x", "//example.com/x", "http://[bad", ""])
def test_only_a_web_address_becomes_a_link(link: str) -> None:
    made = morning(weather=scene.weather(attribution=(("Weather by somebody", link),)))
    sent = mail("superintendent", made)
    assert "href" not in sent.html
    assert "Weather by somebody" in sent.html
    assert "Weather by somebody" in sent.text


@pytest.mark.parametrize("role", ROLES)
def test_a_page_fetches_nothing(role: str) -> None:
    html = mail(role).html.lower()
    for sign in ("src=", "<link", "<img", "<script", "<iframe", "url(", "@import", "@font-face"):
        assert sign not in html
    assert set(re.findall(r'href="([^"]+)"', html)) == {"https://open-meteo.com/"}


# --- the worst day -------------------------------------------------------------------------------------------


def notice(**changes: object) -> RenderedMail:
    fields: dict[str, object] = {
        "site": "Amberbank Dam",
        "day": scene.DAY,
        "reason": "SoilError: an optimum of 0.165 % lies outside 2 to 60 %.",
        **ENVELOPE,
    }
    fields |= changes
    who = fields.pop("recipient", scene.person("superintendent"))
    assert isinstance(who, Recipient)
    head = {name: fields.pop(name) for name in ENVELOPE}
    return letter.plain_notice(letter.Post(recipient=who, **head), **fields)  # type: ignore[arg-type]


def test_the_plain_notice_needs_no_template_and_no_catalogue(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("gonogo.wording.language.WORDS", tmp_path)
    monkeypatch.setattr("gonogo.mail.role.ROLES", tmp_path)
    sent = notice()
    assert sent.subject == "No verdict, test on site · 2026-06-17 · Amberbank Dam"
    assert "every strip waits" in sent.text.splitlines()[0]
    assert "responsible engineer decide" in " ".join(sent.text.split())
    assert "an optimum of 0.165 %" in sent.text
    assert parsed(sent.raw).get_content_type() == "text/plain"
    assert parsed(sent.raw)["Auto-Submitted"] == "auto-generated"


@pytest.mark.parametrize(
    ("code", "subject", "why"),
    [
        (
            "es",
            "Sin decisión, ensayar en obra · 2026-06-17 · Amberbank Dam",
            "No hay pronóstico del tiempo utilizable.",
        ),
        ("pt", "Sem decisão, ensaiar na obra · 2026-06-17 · Amberbank Dam", "Não há previsão do tempo que sirva."),
    ],
)
def test_the_plain_notice_speaks_the_reader_s_language(code: str, subject: str, why: str) -> None:
    sent = notice(recipient=scene.person("driver", language=code), reason="There is no usable weather forecast.")
    assert sent.subject == subject
    assert why in sent.text
    assert "Decide on site" not in sent.text
    assert parsed(sent.raw)["Content-Language"] == code
    assert max(len(line) for line in sent.text.splitlines()) < 78


@pytest.mark.parametrize(
    "broken", ["", "x = [", '[language]\nname = "x"\nmetric = "en"\nus = "en"\n[notice]\nfirst = "{nosuch}"\n']
)
def test_the_plain_notice_is_english_where_a_catalogue_is_broken(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, broken: str
) -> None:
    (tmp_path / "es.toml").write_text(broken, encoding="utf-8")
    monkeypatch.setattr("gonogo.mail.letter.load", lambda code: language.load(code, tmp_path))
    sent = notice(recipient=scene.person("driver", language="es"))
    assert "every strip waits" in sent.text
    assert parsed(sent.raw)["Content-Language"] == "en"


@pytest.mark.parametrize("text", [*morning_texts()])
def test_each_reason_that_a_run_may_give_is_told_in_every_language(text: str) -> None:
    assert text in letter.ENGLISH_NOTICE.values()


def test_the_plain_notice_cleans_what_it_is_given_rather_than_fail() -> None:
    who = replace(scene.person("driver"), name="Ada\r\nBcc: thief@example.com")
    sent = notice(recipient=who, site="Amber\nbank\x1b[31m", reason="x" * 500 + "\r\n\x07" + "word " * 50)
    message = parsed(sent.raw)
    assert message["Bcc"] is None
    assert message["To"].addresses[0].addr_spec == "driver@example.com"
    assert "\x1b" not in sent.subject + sent.text
    assert "\x07" not in sent.text
    assert max(len(line) for line in sent.text.splitlines()) < 78


def test_the_plain_notice_still_refuses_an_address_that_is_none() -> None:
    with pytest.raises(ConfigError, match="address"):
        notice(recipient=replace(scene.person("driver"), address="a@example.com\nBcc: b@example.com"))
