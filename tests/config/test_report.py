"""What `gonogo check` says of an accepted config."""

from __future__ import annotations

from config_copy import SITE, Copy

from gonogo.config import check_report
from gonogo.config.report import shown_url
from gonogo.errors import Fault


def test_the_report_counts_and_names_what_the_config_holds(example: Copy) -> None:
    text = check_report(example.load())
    flat = " ".join(text.split())
    assert "1 site, 10 strips" in flat
    assert "42.137 N, 94.368 W, 325 m; America/Chicago" in flat
    assert "mon, tue, wed, thu, fri, sat; 07:00 to 17:30; 2 holidays" in flat
    assert "Grey lean clay: optimum 18.2 %, maximum 1762 kg/m3 (ASTM D698), window 16.2 to 20.2 %" in flat
    assert "assumed: specific_gravity, theta_fc, theta_wp" in flat
    assert "strips N1, N2, N3, N4, N5; mails to 1 superintendent, 1 driver, 1 planner" in flat
    assert f"written as files into {example.folder / 'mails'}; nothing is sent" in flat
    assert "Operator: operator@example.com" in flat
    assert "Warnings: none" in flat


def test_warnings_that_are_alike_name_the_file_of_each_that_stands_in_another(example: Copy) -> None:
    place = example.folder / "sites" / "a.toml"
    found = [
        Fault(place=f"{file}:{line}", key=key, value="x", wrong="is doubtful.", right="Write y.", number=13)
        for file, line, key in ((place, 3, "one"), (place, 4, "two"), (f"{place}.csv", "5, column b", "three"))
    ]
    flat = " ".join(check_report(example.load(), found).split())
    assert f"{place}:3: one = x: is doubtful. Write y. The same: two, {place}.csv:5, column b: three" in flat


def test_the_report_says_what_the_licence_of_each_service_allows(example: Copy) -> None:
    from gonogo.weather import services

    free = check_report(example.load())
    example.edit("gonogo.toml", "retries = 2", 'key_env = "K"')
    paid = check_report(example.load(K="opensesame"))
    service = services.find()["open_meteo"]
    assert " ".join(service.licence_note(None).split()) in " ".join(free.split())
    assert " ".join(service.licence_note("opensesame").split()) in " ".join(paid.split())
    assert "for non-commercial use" in free
    assert "without a key" in free
    assert "with a key" in paid
    assert "opensesame" not in paid
    for text, link in service.attribution:
        assert text in free
        assert link in free


def test_the_report_carries_every_warning(example: Copy) -> None:
    example.edit(SITE, "mixing_depth_m = 0.30 ", "mixing_depth_m = 0.20 ")
    config = example.load()
    flat = " ".join(check_report(config).split())
    assert config.warnings
    assert f"Warnings: {len(config.warnings)}" in flat
    assert all(w.key in flat for w in config.warnings)


def test_a_mail_server_is_shown_with_its_login(example: Copy) -> None:
    example.edit("gonogo.toml", 'kind = "folder"\nfolder = "mails"', 'kind = "smtp"\nhost = "mail.example.com"')
    text = check_report(example.load())
    assert "mail.example.com:587 (starttls), without a login, from gonogo@example.com" in text


def test_a_database_address_never_shows_its_password() -> None:
    assert shown_url("postgresql://me:a@b:c@db/x?password=d") == "postgresql://me:(not shown)@db/x"
    assert shown_url("postgresql://me@db/x") == "postgresql://me@db/x"
    assert shown_url("sqlite:////var/x.sqlite3") == "sqlite:////var/x.sqlite3"
