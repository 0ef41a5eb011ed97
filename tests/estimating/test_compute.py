"""``manage.py compute NAME < in.json > out.json``: answers whole, refuses in one line with exit code 2."""

import io
import json
import subprocess
import sys
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from hypothesis import given
from hypothesis import strategies as st

from estimating import compute
from estimating.management.commands.compute import Command
from finishes.measures import Length, Volume
from tests.references import coverage as finish
from tests.references import gluing

GLUEUP = {
    "length": "24 in",
    "width": "12 in",
    "pressure_psi": 120,
    "clamps": [{"count": 6, "force_lbf": 1050}],
}
COATING = {
    "surfaces": [{"length": "48 in", "width": "24 in", "sides": 2}],
    "coats": [{"count": 3, "coverage": {"area": "400 ft2", "volume": "1 gal"}}],
    "waste_percent": 10,
    "on_hand": "4 fl oz",
    "cans": [{"size": "1 pt", "price": "11.00"}, {"size": "1 qt", "price": "18.50"}],
}
VENEER = {
    "panels": [{"name": "top", "length": "48 in", "width": "20 in", "match": "book"}],
    "veneers": [{"name": "leaf", "length": "8 ft", "width": "7 in", "price": "14.00"}],
    "backers": [{"name": "backer", "length": "8 ft", "width": "4 ft", "price": "38.00"}],
}
LUMBER = {
    "parts": [{"name": "leg", "length": "28 in", "width": "1 3/4", "thickness": "1 3/4", "qty": 4}],
    "waste_percent": 25,
    "price_per_bf": "7.50",
}
FIT = {"slot": ["3/4", "0.745 in"], "part": {"readings": ["0.70 in", "0.74 in"]}}
GOOD = {"glueup": GLUEUP, "coating": COATING, "veneer": VENEER, "lumber": LUMBER, "fit": FIT}


@pytest.fixture
def ask(monkeypatch, capsys):
    """Runs the command as the shell would; returns exit code, standard output, standard error."""

    def run(*arguments, payload=None, raw=None):
        sent = raw if raw is not None else json.dumps(payload).encode()
        monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(sent), encoding="utf-8"))
        code = 0
        try:
            Command().run_from_argv(["manage.py", "compute", *arguments])
        except SystemExit as stop:
            code = stop.code
        out, err = capsys.readouterr()
        return code, out, err

    return run


def refusal(answer):
    code, out, err = answer
    assert code == 2
    assert out == ""
    assert err.count("\n") == 1
    assert "Traceback" not in err
    return err


@pytest.mark.parametrize("name", GOOD)
def test_a_good_question_is_answered_in_one_line_of_json(ask, name):
    code, out, err = ask(name, payload=GOOD[name])

    assert (code, err) == (0, "")
    assert out.endswith("}\n")
    assert out.count("\n") == 1
    assert isinstance(json.loads(out), dict)


def test_glueup_gives_every_figure_of_its_contract(ask):
    answer = json.loads(ask("glueup", payload=GLUEUP)[1])

    # 6 x 1050 lbf over 24 x 12 in.
    assert answer["area_in2"] == 288
    assert answer["pressure_reached_psi"] == 21.875
    assert answer["clamps_needed"] == 33
    assert answer["verdict"] == "will not: 22 psi reached of 120 wanted"


@pytest.mark.parametrize(("wanted", "area", "force", "count", "reached"), gluing.CLAMPS)
def test_glueup_matches_the_worked_clamp_cases(ask, wanted, area, force, count, reached):
    payload = {
        "length": area,
        "width": 1,
        "pressure_psi": wanted,
        "clamps": [{"count": count, "force_lbf": force}],
    }

    answer = json.loads(ask("glueup", payload=payload)[1])

    assert answer["clamps_needed"] == count
    assert answer["pressure_reached_psi"] == pytest.approx(reached, abs=0.005)
    assert answer["verdict"] == "will hold"


@pytest.mark.parametrize("length", ["24 in", "24", 24, 24.0, "609.6 mm", "2 ft", '24"'])
def test_lengths_are_text_or_numbers_of_inches(ask, length):
    assert json.loads(ask("glueup", payload=GLUEUP | {"length": length})[1])["area_in2"] == 288


def test_coating_gives_every_figure_of_its_contract(ask):
    answer = json.loads(ask("coating", payload=COATING)[1])

    # 16 ft2 x 3 / 400 x 1.1 = 0.132 gal, less 4 fl oz = 1/32 gal.
    assert answer["area"] == "16 ft2"
    assert answer["volume"] == "0.132 gal"
    assert answer["short"] == "0.10075 gal"
    assert answer["cans"] == [{"size": "1 pt", "count": 1}]
    assert answer["cost"] == "11.00"


@pytest.mark.parametrize(("area", "coats", "cover", "waste", "gallons", "millilitres"), finish.COVERAGE)
def test_coating_matches_the_worked_cases(ask, area, coats, cover, waste, gallons, millilitres):
    payload = {
        "surfaces": [{"length": f"{area} ft", "width": "1 ft"}],
        "coats": [{"count": coats, "coverage": {"area": f"{cover} ft2", "volume": "1 gal"}}],
        "waste_percent": waste,
        "on_hand": 0,
        "cans": [],
    }

    answer = json.loads(ask("coating", payload=payload)[1])

    assert float(Volume.parse(answer["volume"]).to("gal")) == pytest.approx(gallons, abs=6e-6)
    assert answer["short"] == answer["volume"]
    assert answer["cost"] is None


def test_a_metric_coverage_is_answered_in_metric(ask):
    cover = {"count": 2, "coverage": {"area": "10 m2", "volume": "1 l"}}

    answer = json.loads(ask("coating", payload=COATING | {"coats": [cover], "on_hand": "0"})[1])

    assert (answer["area"], answer["volume"]) == ("1.486449 m2", "0.327019 l")


@pytest.mark.parametrize(
    ("shape", "area"),
    [
        ({"shape": "edged", "length": 24, "width": 12, "thickness": "3/4"}, 24 * 12 * 2 + 0.75 * 72),
        ({"shape": "turned", "length": 10, "diameter": 2}, 62.83185307),
        ({"shape": "cone", "length": 10, "diameter": 2, "small_diameter": 2}, 62.83185307),
        ({"shape": "tapered", "length": 10, "top": 2, "foot": 2}, 80),
        ({"shape": "panelled", "length": 10, "width": 10}, 115),
        ({"shape": "moulding", "length": 10, "girth": 3}, 30),
        ({"length": 10, "width": 10, "openings": [{"length": 2, "width": 5}]}, 90),
    ],
)
def test_coating_knows_the_shapes_of_furniture(ask, shape, area):
    answer = json.loads(ask("coating", payload=COATING | {"surfaces": [shape]})[1])

    assert float(answer["area"].removesuffix(" ft2")) * 144 == pytest.approx(area, abs=0.001)


def test_lumber_prices_a_cut_list_by_the_board_foot(ask):
    answer = json.loads(ask("lumber", payload=LUMBER)[1])

    # Rough 29 x 2 x 2 in, four of them, a quarter more: 4.0278 bf at 7.50.
    assert answer["board_feet"] == pytest.approx(4.027778)
    assert answer["cost"] == "30.21"
    assert answer["groups"][0]["shortest_board_mm"] == 736.6


def test_fit_answers_in_text_inches_and_millimetres(ask):
    answer = json.loads(ask("fit", payload=FIT | {"slip": 0})[1])

    assert answer["fits"] is True
    assert answer["clearance"] == {"text": '≈ 0"', "in": 0.005, "mm": 0.127}


def change(base, key, value):
    return base | {key: value}


@pytest.mark.parametrize(
    ("name", "payload", "field"),
    [
        ("glueup", {k: v for k, v in GLUEUP.items() if k != "width"}, "width"),
        ("glueup", change(GLUEUP, "width", None), "width"),
        ("glueup", change(GLUEUP, "width", "-2"), "width"),
        ("glueup", change(GLUEUP, "width", -2), "width"),
        ("glueup", change(GLUEUP, "width", 0), "width"),
        ("glueup", change(GLUEUP, "width", "abc"), "width"),
        ("glueup", change(GLUEUP, "width", "18 3/0"), "width"),
        ("glueup", change(GLUEUP, "width", True), "width"),
        ("glueup", change(GLUEUP, "width", 10**9), "width"),
        ("glueup", change(GLUEUP, "width", "900 m"), "width"),
        ("glueup", change(GLUEUP, "width", "5 gal"), "width"),
        ("glueup", change(GLUEUP, "pressure_psi", -1), "pressure_psi"),
        ("glueup", change(GLUEUP, "pressure_psi", "lots"), "pressure_psi"),
        ("glueup", change(GLUEUP, "clamps", {}), "clamps"),
        ("glueup", change(GLUEUP, "clamps", [5]), "clamps[0]"),
        ("glueup", change(GLUEUP, "clamps", [{"count": -1, "force_lbf": 1}]), "clamps[0].count"),
        ("glueup", change(GLUEUP, "clamps", [{"count": 1.5, "force_lbf": 1}]), "clamps[0].count"),
        ("glueup", change(GLUEUP, "clamps", [{"count": 1}]), "clamps[0].force_lbf"),
        ("glueup", change(GLUEUP, "clamps", [{"count": 1, "force_lbf": 0}]), "clamps[0].force_lbf"),
        ("glueup", change(GLUEUP, "spread_dept", "2 in"), "spread_dept"),
        ("coating", change(COATING, "surfaces", []), "surfaces"),
        ("coating", change(COATING, "coats", []), "coats"),
        ("coating", change(COATING, "waste_percent", -1), "waste_percent"),
        ("coating", change(COATING, "on_hand", "4"), "on_hand"),
        ("coating", {k: v for k, v in COATING.items() if k != "on_hand"}, "on_hand"),
        ("coating", change(COATING, "cans", [{"size": "1 qt"}]), "cans[0].price"),
        ("coating", change(COATING, "cans", [{"size": "1 qt", "price": "-1"}]), "cans[0].price"),
        ("coating", change(COATING, "cans", [{"size": "0 qt", "price": "1"}]), "cans[0].size"),
        ("coating", change(COATING, "cans", [{"size": "1 qt", "price": 1.999}]), "cans[0].price"),
        (
            "coating",
            change(COATING, "coats", [{"count": 1, "coverage": {"area": "400", "volume": "1 gal"}}]),
            "coats[0].coverage.area",
        ),
        (
            "coating",
            change(COATING, "coats", [{"count": 0, "coverage": {"area": "4 m2", "volume": "1 l"}}]),
            "coats[0].count",
        ),
        (
            "coating",
            change(COATING, "surfaces", [{"length": 1, "width": 1, "girth": 1}]),
            "surfaces[0].girth",
        ),
        (
            "coating",
            change(COATING, "surfaces", [{"length": 1, "width": 1, "openings": [{"length": 1, "width": 1}]}]),
            "surfaces[0]",
        ),
        (
            "veneer",
            change(VENEER, "panels", [{"length": 1, "width": 1, "match": "random"}]),
            "panels[0].match",
        ),
        ("veneer", change(VENEER, "veneers", []), "veneers"),
        ("lumber", change(LUMBER, "kerf", "-1/8"), "kerf"),
        (
            "lumber",
            change(LUMBER, "parts", [{"length": 1, "width": 1, "thickness": 1, "qty": 0}]),
            "parts[0].qty",
        ),
        ("fit", {"slot": "3/4"}, "part"),
        ("fit", {}, "slot"),
        ("fit", {"slot": [], "part": {"readings": 1}}, "slot"),
        ("fit", {"slot": 1, "part": {"nominal": "9 in"}}, "part.nominal"),
        ("fit", {"opening": {"widths": [20], "heights": [30], "diagonals": [60, 36]}}, "opening"),
    ],
)
def test_a_bad_value_is_refused_by_the_name_of_its_field(ask, name, payload, field):
    line = refusal(ask(name, payload=payload))

    assert line.startswith(f"{name}: {field}: ")


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "empty"),
        (b"{", "not JSON"),
        (b"[]", "a JSON object is wanted"),
        (b"null", "a JSON object is wanted"),
        (b'"x"', "a JSON object is wanted"),
        (b'{"a": 1, "a": 2}', "comes twice"),
        (b'{"a": NaN}', "NaN is not a number"),
        (b'{"a": -Infinity}', "-Infinity is not a number"),
        (b'{"a": 1e999}', "too large"),
        (b'{"a": "\xff"}', "not UTF-8"),
        (b"[" * 200_000, "nested too deeply"),
        (b'{"a": ' + b"9" * 5000 + b"}", "too large"),
    ],
)
def test_bad_json_is_refused_in_one_line(ask, raw, words):
    assert words in refusal(ask("glueup", raw=raw))


def test_a_byte_order_mark_is_no_error(ask):
    assert ask("glueup", raw=b"\xef\xbb\xbf" + json.dumps(GLUEUP).encode())[0] == 0


def test_an_unknown_name_lists_the_names(ask):
    line = refusal(ask("shelves", payload={}))

    assert all(name in line for name in compute.TOOLS)


@pytest.mark.parametrize(
    "arguments", [("glueup", "--bad"), ("sheets", "--seconds", "x"), ("sheets", "--seconds", "0"), ()]
)
def test_bad_options_are_refused_in_one_line(ask, arguments):
    refusal(ask(*arguments, payload=GLUEUP))


def test_a_slip_inside_an_engine_reads_as_a_refusal(ask, monkeypatch):
    monkeypatch.setattr("estimating.glueup.judge", lambda *_, **__: {}["x"])

    assert "could not be worked out" in refusal(ask("glueup", payload=GLUEUP))


def test_list_names_every_engine(ask):
    code, out, _ = ask("--list")

    assert code == 0
    assert [line.split()[0] for line in out.splitlines()] == list(compute.TOOLS)


@pytest.mark.parametrize("name", GOOD)
def test_help_documents_input_and_output_and_its_example_runs(ask, name):
    code, out, _ = ask(name, "--help")

    assert code == 0
    assert "Input" in out
    assert "Output" in out
    example = out.split("echo '")[1].split("'")[0]
    assert ask(name, raw=example.encode())[0] == 0


def test_called_from_python_it_raises_with_the_exit_code(monkeypatch):
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(b"{}"), encoding="utf-8"))

    with pytest.raises(CommandError, match="length: is missing") as refused:
        call_command("compute", "glueup")

    assert refused.value.returncode == 2


def test_the_real_command_needs_no_database(tmp_path):
    manage = Path(__file__).resolve().parents[2] / "manage.py"

    done = subprocess.run(
        [sys.executable, str(manage), "compute", "glueup"],
        input=json.dumps(GLUEUP),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={"PATH": "", "THIRD_COAT_DATA": str(tmp_path / "data"), "LC_ALL": "C"},
    )

    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout)["area_in2"] == 288
    assert not list(tmp_path.rglob("*.sqlite3"))


def test_exact_numbers_are_written_as_json_numbers():
    assert (
        compute.encode({"a": Fraction(1, 4), "b": Decimal("2.50"), "c": Fraction(4, 2)})
        == '{"a":0.25,"b":2.5,"c":2}'
    )


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**12), 10**12)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)


@pytest.mark.parametrize("name", GOOD)
@given(data=st.data())
def test_any_value_anywhere_is_answered_or_refused_with_a_reason(name, data):
    payload = json.loads(json.dumps(GOOD[name]))
    key = data.draw(st.sampled_from(sorted(payload)))
    target, place = payload, key
    if (
        isinstance(payload[key], list)
        and payload[key]
        and isinstance(payload[key][0], dict)
        and data.draw(st.booleans())
    ):
        target, place = payload[key][0], data.draw(st.sampled_from(sorted(payload[key][0])))
    target[place] = data.draw(json_values)

    try:
        answer = compute.find(name).run(payload, compute.Options())
    except ValueError as refused:
        said = json.dumps(str(refused))
    else:
        said = compute.encode(answer)

    assert len(json.loads(said)) > 2


@given(st.integers(1, 10**6), st.integers(1, 10**6))
def test_glueup_area_is_exact_for_any_length(length, width):
    payload = GLUEUP | {"length": f"{length} µm", "width": f"{width} µm"}

    answer = compute.find("glueup").run(payload, compute.Options())

    area = Length.of(length, "um").by(Length.of(width, "um"))
    assert answer["area_in2"] == pytest.approx(float(area.to("in2")), abs=5e-7)
