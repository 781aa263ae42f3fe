"""Every role, in every language and unit system: it renders, and it carries what no mail may lack."""

from __future__ import annotations

import email
import html as html_text
import importlib.util
import re
import shutil
import sys
from pathlib import Path
from types import ModuleType

import example_mornings
import pytest

from gonogo import config
from gonogo.cli import demo
from gonogo.errors import ConfigError
from gonogo.mail import render, view
from gonogo.mail.letter import RenderedMail
from gonogo.mail.morning import Morning
from gonogo.mail.path import moisture_paths
from gonogo.wording import language
from gonogo.wording.clock import Clock


def _scene() -> ModuleType:
    """Load the hand-made morning that the tests of the mails use."""
    if "mail_scene" not in sys.modules:
        path = Path(__file__).parents[1] / "mail" / "mail_scene.py"
        spec = importlib.util.spec_from_file_location("mail_scene", path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules["mail_scene"] = module
        spec.loader.exec_module(module)
    return sys.modules["mail_scene"]


scene = _scene()
WITH_PICTURE = ("superintendent", "planner")
# A number with its unit, or a time, is one word to a reader however a language spaces it: "26 300 L", "08 h 40".
NUMBER = r"\d[\d.,:\s]*(?:h\s\d\d|[ap]\.?m\.?|[AP]M|L\b|gal\b)?"
PICTURE_BYTES_MAX = 25_000
ROLES = render.roles()
CASES = [(r, code, units) for r in ROLES for code in language.languages() for units in ("metric", "us")]
MORNINGS = ("verdicts", "nothing to water", "old forecast", "no forecast", "no result", "rest day", "changed")


def mail(role: str, code: str, units: str, kind: str, folder: Path = render.ROLES) -> RenderedMail:
    decisions, outlook, weather = scene.decisions(), scene.outlook(), scene.weather()
    if kind == "nothing to water":
        decisions = tuple(d for d in decisions if d.water is None)
    elif kind == "old forecast":
        weather = scene.weather(status=scene.ForecastStatus.OLD)
    elif kind == "no forecast":
        weather = None
    elif kind == "no result":
        wait = scene.Verdict.WAIT
        decisions = tuple(scene.decision(s.id, wait, "not_knowable", facts={}) for s in scene.STRIPS)
        outlook = ()
    elif kind == "rest day":
        decisions = tuple(scene.decision(s.id, scene.Verdict.WAIT, "day_off") for s in scene.STRIPS)
    made = scene.built(
        decisions=decisions,
        outlook=outlook,
        weather=weather,
        order=None if kind in ("no result", "rest day", "nothing to water") else scene.order(),
        changes=scene.since() if kind == "changed" else None,
        paths=scene.paths(),
        edition="look-0900" if kind == "changed" else "morning",
    )
    return render.message(
        made,
        scene.person(role, language=code, units=units),
        sender="gonogo@example.com",
        reply_to="",
        message_id="<a@example.com>",
        date_utc=scene.NOW_UTC,
        folder=folder,
    )


def seen(html: str) -> str:
    """Return what a reader sees of a page whose pictures are not shown."""
    body = re.sub(r"<(style|title)\b.*?</\1>", " ", html, flags=re.DOTALL)
    body = re.sub(r'<img\b[^>]*\balt="([^"]*)"[^>]*>', r" \1 ", body)
    return html_text.unescape(re.sub(r"<[^>]+>", " ", body)).replace("\u00a0", " ").replace("\u202f", " ")


def bare(text: str) -> str:
    return re.sub(r"\s+", "", text)


def test_the_three_readers_are_there() -> None:
    assert {"superintendent", "driver", "planner"} <= set(ROLES)


@pytest.mark.parametrize("kind", MORNINGS)
@pytest.mark.parametrize(("role", "code", "units"), CASES)
def test_each_mail_carries_what_no_mail_may_lack(role: str, code: str, units: str, kind: str) -> None:
    sent = mail(role, code, units, kind)
    speak = language.speaker(code, units)
    wanted = [
        speak.word("caution.short"),
        "North crew",
        "Amberbank Dam",
        speak.word("text.forecast_none") if kind == "no forecast" else "Weather data by Open-Meteo.com, CC BY 4.0",
    ]
    if role != "driver":  # whose mail is a card for the cab: what to stop for stands on it
        wanted += [speak.word(f"caution.{c}") for c in view.CAUTIONS]
        wanted += ["Standard Proctor", speak.word("field.theta_fc")]
        wanted += [speak.word("unsure.no_forecast")] if kind == "no forecast" else []
    filled = Clock(site=scene.site(), day=scene.DAY).at(scene.weather().notes[0].gaps["from_utc"])
    if kind != "no forecast":
        wanted += ["25", "Open-Meteo"]
        wanted += [speak.word("note.gaps_filled", n=2, from_utc=filled)] if role != "driver" else []
    if kind == "old forecast" and role != "driver":
        wanted.append(speak.word("unsure.old_forecast"))
    if kind in ("no forecast", "no result"):
        key = {"superintendent": "head.no_verdict", "driver": "text.driver_no_verdict"}
        wanted.append(speak.word(key.get(role, "subject.no_verdict_short"))[1:])
    for part in (sent.text, seen(sent.html)):
        for piece in wanted:
            assert bare(piece) in bare(part), piece
    if kind != "no forecast":
        assert "https://open-meteo.com/" in sent.text
        assert 'href="https://open-meteo.com/"' in sent.html
    for shown in (sent.subject, sent.text, seen(sent.html)):
        assert not re.search(r"\{\w*\}|\bnan\b|\binf\b|\bNone\b|Undefined", shown)


def is_sound(sent: RenderedMail, code: str, role: str) -> None:
    """Check what holds for every mail of every morning: widths, lengths, sizes, and that nothing is left unfilled."""
    assert [line for line in sent.text.splitlines() if len(line) >= 78 and "http" not in line] == []
    assert 0 < len(sent.html.encode()) < render.HTML_BYTES_MAX
    # The day in eight words; date and crew come on top.
    the_day, *rest = sent.subject.split(" · ")
    assert len(re.sub(NUMBER, "#", the_day).split()) <= 8, sent.subject
    assert len(rest) == 2
    assert len(sent.subject) <= 78
    for shown in (sent.subject, sent.text, seen(sent.html)):
        assert not re.search(r"\{\w*\}|\bnan\b|\binf\b|\bNone\b|Undefined", shown)
    if code != "en":
        english = language.load("en").sentences
        for key in ("caution.short", "title.unsure", "title.cautions", "title.behind"):
            assert str(english[key]) not in sent.text
    pictures = [p for p in email.message_from_bytes(sent.raw).walk() if p.get_content_type() == "image/png"]
    named = set(re.findall(r'src="cid:([^"]+)"', sent.html))
    assert {str(p["Content-ID"]).strip("<>") for p in pictures} == named
    assert all(0 < len(p.get_payload(decode=True)) < PICTURE_BYTES_MAX for p in pictures)  # type: ignore[arg-type]
    assert bool(named) <= (role in WITH_PICTURE)


@pytest.mark.parametrize("kind", MORNINGS)
@pytest.mark.parametrize(("role", "code", "units"), CASES)
def test_each_mail_is_sound(role: str, code: str, units: str, kind: str) -> None:
    sent = mail(role, code, units, kind)
    is_sound(sent, code, role)
    assert ("cid:" in sent.html) == (role in WITH_PICTURE and kind != "no forecast")


@pytest.fixture(scope="module")
def recorded_views() -> list[view.MorningView]:
    """The example site's recorded morning, as each of its crews sees it."""
    loaded = config.load(example_mornings.ROOT / "config", environ={})
    site = loaded.sites[0]
    concluded = example_mornings.concluded_example(loaded)
    assert concluded.judgement is not None
    paths = moisture_paths(concluded.judgement.inputs, [s.id for s in site.strips])
    assert concluded.plan is not None
    return [
        view.build(
            Morning(
                site=site,
                crews=(crew,),
                plan=concluded.plan,
                decisions=concluded.decisions,
                outlook=concluded.outlook,
                weather=concluded.weather,
                now_utc=demo.MORNING_UTC,
                order=concluded.order,
                paths=paths,
            )
        )
        for crew in site.crews
    ]


@pytest.mark.parametrize(("role", "code", "units"), CASES)
def test_each_mail_of_the_recorded_morning_is_sound(
    recorded_views: list[view.MorningView], role: str, code: str, units: str
) -> None:
    for made in recorded_views:
        sent = render.message(
            made,
            scene.person(role, language=code, units=units),
            sender="gonogo@example.com",
            reply_to="",
            message_id="<a@example.com>",
            date_utc=demo.MORNING_UTC,
        )
        is_sound(sent, code, role)
        us, metric = r"\d\s(gal|mph|°F|in|ft|yd²|lb/ft³|gal/yd²)\b", r"\d\s(L|km/h|°C|mm|m|m²|t/m³|L/m²)(?=[\s,.;:)])"
        assert re.search(us if units == "us" else metric, sent.text)
        for shown in (
            " ".join(sent.text.split()).replace(scene_note(made), ""),
            seen(sent.html).replace(scene_note(made), ""),
        ):
            assert not re.search(metric if units == "us" else us, shown)


def scene_note(made: view.MorningView) -> str:
    """The notes that a person wrote into the config are shown as they are, units and all."""
    return next((s.note for s in made.behind if s.note), "\0")


@pytest.mark.parametrize(("role", "code", "units"), CASES)
def test_each_page_is_made_for_phones_and_both_themes(role: str, code: str, units: str) -> None:
    html = mail(role, code, units, "verdicts").html
    assert f'<html lang="{code}">' in html
    assert '<meta name="viewport" content="width=device-width, initial-scale=1">' in html
    assert "@media (prefers-color-scheme: dark)" in html
    assert '<meta name="color-scheme" content="light dark">' in html
    assert ("max-width: 1120px" if role == "planner" else "max-width: 568px") in html
    assert len(html.encode()) < render.HTML_BYTES_MAX


def test_a_role_is_added_by_one_folder(tmp_path: Path) -> None:
    shutil.copytree(render.ROLES, tmp_path / "roles")
    new = tmp_path / "roles" / "inspector"
    new.mkdir()
    (new / "role.toml").write_text('reader = "inspector"\n[words.en]\ninspector.hello = "For {crew}, from {site}."\n')
    (new / "subject.txt").write_text("Inspect {{ say(view.day) }}\n")
    (new / "body.txt").write_text('{{ word("inspector.hello", crew=view.crew, site=view.site) }}\n')
    (new / "body.html").write_text(
        '{% extends "frame.html" %}{% block body %}<p>{{ word("inspector.hello", crew=view.crew, site=view.site) }}</p>'
        "{% endblock %}"
    )
    sent = mail("inspector", "en", "metric", "verdicts", folder=tmp_path / "roles")
    assert sent.subject == "Inspect Wed 17 Jun"
    assert sent.text == "For North crew, from Amberbank Dam.\n"
    assert "For North crew, from Amberbank Dam." in sent.html


@pytest.mark.parametrize("part", ["role.toml", "subject.txt", "body.txt", "body.html"])
def test_a_role_whose_folder_is_not_whole_is_refused(tmp_path: Path, part: str) -> None:
    shutil.copytree(render.ROLES / "driver", tmp_path / "driver")
    (tmp_path / "driver" / part).unlink()
    with pytest.raises(ConfigError, match="role"):
        mail("driver", "en", "metric", "verdicts", folder=tmp_path)


@pytest.mark.parametrize("text", ["reader = ", "words = {}"])
def test_a_role_toml_that_cannot_be_read_is_refused(tmp_path: Path, text: str) -> None:
    shutil.copytree(render.ROLES / "driver", tmp_path / "driver")
    (tmp_path / "driver" / "role.toml").write_text(text)
    with pytest.raises(ConfigError, match=r"role\.toml"):
        mail("driver", "en", "metric", "verdicts", folder=tmp_path)


@pytest.mark.parametrize("role", ROLES)
def test_a_template_computes_nothing(role: str) -> None:
    for part in ("subject.txt", "body.txt", "body.html"):
        source = (render.ROLES / role / part).read_text(encoding="utf-8")
        for code in re.findall(r"\{[{%](.*?)[%}]\}", source, flags=re.DOTALL):
            bare_code = re.sub(r'"[^"]*"', "", code)
            assert not re.search(r"[\w)\]]\s*[*/]\s*[\w(]|\w\s+[+-]\s+\w|round|float|int\b|\bsum\b", bare_code), code
