"""`gonogo new`: two sites set up from answers and lists, and all that keeps a half-made config from being written."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import pytest

from gonogo.cli import app, new_parsers
from gonogo.cli.new_questions import Asker, WrongAnswerError
from gonogo.config import check_report, load
from gonogo.errors import ConfigError

Run = Callable[..., tuple[int, str, str]]
STRIPS_ES = (
    "\ufeffid;name;crew;material;length_m;width_m;lift_thickness_m;surface;finish_by (dd/mm/yyyy)\n"
    "T1;Terraplén oeste;norte;arcilla;120,5;12;0,250;loose;15/12/2026\n"
    "T2;Terraplén este;norte;arcilla;140;12;0,250;loose;\n"
    "T3;Rampa;norte;arcilla;80;10;0,2;loose;\n"
    "T4;Plataforma;sur;limo;100;15;0,25;loose;\n"
    "T5;Zanja;sur;limo;90;9;0,25;loose;\n"
    "T6;Acceso;sur;limo;60;8;0,2;scarified;\n"
)
CURVE = "14.1 1668 16 1730 18.1 1762 20 1739 22.1 1672"
ANSWERS_ES = (
    "Terraplén ruta sur", "metric", "es", "-32.10 -63.20", "", "190", "mon-sat", "7:00-17:00", "commercial",
    "obra@example.com",
    "Arcilla roja", "CL", "", CURVE, "-2 2", "95",
    "Limo arenoso", "A-4", "", "12.4 1890", "0.9 1.1", "95",
    "Pata de cabra", "padded", "", "Liso", "smooth", "4", "",
    "Camión grande", "15 m3", "Camión chico", "8000", "", "0.28 m",
    "Cuadrilla norte", "pata-de-cabra", "camion-grande", "Ana Prado, ana@example.com", "Luis Mar, luis@example.com", "",
    "Cuadrilla sur", "liso", "camion-chico", "Eva Sol, eva@example.com", "", "Rita Paz, rita@example.com",
)  # fmt: skip
ANSWERS_US = (
    "Mill Creek ramp", "us", "en", "39.10 N 94.60 W", "", "890", "", "", "non-commercial", "office@example.com",
    "Borrow clay", "limits", "98 94 82 64", "38 19", "", "16.5 110.2", "-2 2", "95", "",
    "Padfoot", "padded", "", "", "Truck", "4000", "", "",
    "Day crew", "Robin Ashby, robin@example.com", "Sam Okoro, sam@example.com", "", "",
    "N1", "400 40 10", "N2", "350 x 40 x 8", "",
)  # fmt: skip


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    def command(*arguments: object, answers: tuple[str, ...] = ()) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{answer}\n" for answer in answers)))
        code = app.run([str(argument) for argument in arguments])
        out = capsys.readouterr()
        return code, out.out, out.err

    return command


def test_a_site_at_32_s_in_spanish_from_a_list_of_strips(run: Run, tmp_path: Path) -> None:
    strips, folder = tmp_path / "tramos.csv", tmp_path / "obra"
    strips.write_text(STRIPS_ES, encoding="utf-8")
    code, out, err = run("new", folder, "--strips", strips, answers=ANSWERS_ES)
    assert (code, err) == (0, "")
    config = load(folder, environ={})
    (site,) = config.sites
    assert (site.latitude_deg, site.zone.key, site.working_days) == (-32.1, "America/Argentina/Cordoba", (*range(6),))
    assert [s.length_m for s in site.strips] == [120.5, 140, 80, 100, 90, 60]
    assert (site.material("arcilla").soil_class, site.material("limo").soil_class) == ("silty_clay_loam", "silt_loam")
    assert {p.language for crew in site.crews for p in crew.recipients} == {"es"}
    assert {crew.id: crew.truck and crew.truck.tank_litres for crew in site.crews} == {"norte": 15000, "sur": 8000}
    assert config.warnings == ()
    assert site.mixing_depth_m == 0.28
    assert ["passes" in crew.roller.assumed for crew in site.crews] == [True, False]
    assert (folder / "sites/terraplen-ruta-sur/strips.csv").read_bytes() == strips.read_bytes()
    assert "accepted by `gonogo check`" in out


def test_a_site_in_us_units_whose_laboratory_gives_limits_alone(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "mill"
    code, _, err = run("new", folder, answers=ANSWERS_US)
    assert (code, err) == (0, "")
    config = load(folder, environ={})
    (site,) = config.sites
    assert site.zone.key == "America/Chicago"
    assert site.elevation_m == pytest.approx(271.27)
    clay = site.material("borrow-clay")
    assert (clay.soil_group, clay.soil_class) == ("USCS CL, AASHTO A-6 (10)", "silty_clay_loam")
    assert clay.mdd_kg_m3 == pytest.approx(1765.2)
    assert [(s.length_m, s.lift_thickness_m) for s in site.strips] == [(121.92, 0.254), (106.68, 0.2032)]
    assert site.crews[0].truck is not None
    assert site.crews[0].truck.tank_litres == pytest.approx(15142)
    assert "Assumed" in check_report(config)
    assert config.warnings == ()


def test_options_and_lists_alone_need_nobody_at_the_keyboard(run: Run, tmp_path: Path) -> None:
    lists = {
        "strips": "id,crew,material,length_m,width_m,lift_thickness_m,surface\nN1,day,clay,120,12,0.25,loose\n",
        "people": "crew,name,address,role\nday,Robin Ashby,robin@example.com,superintendent\n",
        "machines": "kind,id,name,drum\nroller,pad,Padfoot,padded\n",
        "materials": "id,name,uscs,test,omc_pct,mdd_kg_m3,window_points,required_compaction_pct\n"
        "clay,Clay,CL,ASTM D698,16.5,1760,-2 2,95\n",
    }
    named: list[object] = []
    for name, text in lists.items():
        (tmp_path / f"{name}.csv").write_text(text)
        named += [f"--{name}", tmp_path / f"{name}.csv"]
    code, _, err = run(
        "new", tmp_path / "mine", *named, "--name", "Ramp", "--place", "42.1 -94.4", "--elevation", "1066 ft",
        "--use", "commercial", "--operator", "office@example.com", "--crew", "day=Day crew",
    )  # fmt: skip
    assert (code, err) == (0, "")
    (site,) = load(tmp_path / "mine", environ={}).sites
    assert (site.name, site.crew("day").name, site.elevation_m) == ("Ramp", "Day crew", pytest.approx(324.92))


def test_all_that_nobody_answered_is_named_and_nothing_is_written(run: Run, tmp_path: Path) -> None:
    code, _, err = run("new", tmp_path / "mine")
    assert code == 2
    wanted = ("--name", "--place", "--elevation", "--use", "--operator", "--materials", "--machines", "--crew")
    assert all(f"command line: {option}: is missing" in err for option in (*wanted, "--people", "--strips"))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("n", "answer", "says"),
    [
        (3, "32.1", "is no place"),
        (3, "-32.1 -263", "outside -180 to 180"),
        (4, "America/Cordova", "no time zone"),
        (5, "190 furlongs", "furlongs"),
        (7, "7-17", "is no shift"),
        (9, "office", "mail address"),
        (11, "XX", "no group symbol"),
        (13, "16.5", "holds 1 numbers"),
        (13, "0.165 1780", "outside 2 to 60"),
        (13, "16.5 2500", "zero-air-voids"),
        (14, "2 -2", "is no window"),
    ],
)
def test_a_wrong_answer_on_a_pipe_ends_it(n: int, answer: str, says: str, run: Run, tmp_path: Path) -> None:
    strips = tmp_path / "tramos.csv"
    strips.write_text(STRIPS_ES, encoding="utf-8")
    given = (*ANSWERS_ES[:n], answer, *ANSWERS_ES[n + 1 :])
    code, _, err = run("new", tmp_path / "obra", "--strips", strips, answers=given)
    assert code == 2
    assert err.startswith("command line: ")
    assert says in err
    assert [path.name for path in tmp_path.iterdir()] == ["tramos.csv"]


def test_a_zone_that_is_not_the_places_is_taken_and_warned_of(run: Run, tmp_path: Path) -> None:
    answers = (*ANSWERS_US[:4], "America/Denver", *ANSWERS_US[5:])
    code, out, _ = run("new", tmp_path / "mill", answers=answers)
    assert code == 0
    assert "America/Chicago" in out.split("Warning:")[1]


def test_a_fault_of_a_list_is_named_where_the_person_has_it(run: Run, tmp_path: Path) -> None:
    strips = tmp_path / "tramos.csv"
    strips.write_text(STRIPS_ES.replace("loose;\n", "soft;\n", 1), encoding="utf-8")
    code, _, err = run("new", tmp_path / "obra", "--strips", strips, answers=ANSWERS_ES)
    assert code == 2
    assert f"{strips}:3, column surface: strip.T2.surface" in err
    assert not (tmp_path / "obra").exists()


def test_what_stands_somewhere_is_never_overwritten(run: Run, tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("mine")
    for taken in (tmp_path / "mine", tmp_path / "mine" / "notes.txt"):
        code, _, err = run("new", taken, answers=ANSWERS_US)
        assert code == 2
        assert "holds something already" in err
    assert (tmp_path / "mine" / "notes.txt").read_text() == "mine"


def test_on_a_terminal_a_wrong_answer_is_asked_again() -> None:
    lines, said = iter(["nowhere", "-32.1 -63.2"]), []
    asker = Asker(lambda: next(lines, None), said.append, is_terminal=True)
    assert asker.ask("Place", new_parsers.place, key="--place", example="1 1") == (-32.1, -63.2)
    assert any("Is no place. Write latitude and longitude" in text for text in said)
    with pytest.raises(ConfigError, match="--place"):
        asker.ask("Place", new_parsers.place, key="--place", example="1 1", given="x")


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("42.137 -94.368", (42.137, -94.368)),
        ("42.137,-94.368", (42.137, -94.368)),
        ("32,95 S 60,65 O", (-32.95, -60.65)),
        ("42.137 N, 94.368 W", (42.137, -94.368)),
    ],
)
def test_a_place_is_read_as_people_write_it(text: str, found: tuple[float, float]) -> None:
    assert new_parsers.place(text) == found


@pytest.mark.parametrize("text", ["42.1", "94.4 W 42.1 N", "-42.1 S 94.4 W", "x y"])
def test_what_is_no_place_is_refused(text: str) -> None:
    with pytest.raises(WrongAnswerError):
        new_parsers.place(text)


def test_amounts_carry_their_unit_or_are_in_the_persons_own() -> None:
    thickness = new_parsers.quantity("thickness_m", "lift_thickness_m", "metric")
    assert (thickness("250"), thickness("10 in"), thickness("0.2 m")) == (0.25, 0.254, 0.2)
    with pytest.raises(WrongAnswerError, match="outside"):
        thickness("0.25")
    assert new_parsers.days("sat-mon") == ("mon", "sat", "sun")
    assert new_parsers.id_of("Rodillo pata de cabra", {"rodillo-pata-de"}) == "rodillo-pata-de-2"
