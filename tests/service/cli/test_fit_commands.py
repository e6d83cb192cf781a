"""The teacher's other questions on the command line."""

import json

import pytest

from calibration.quantity import Length, length_json
from service.api.answer_models import AssignmentOut, ClassOut, ComparisonOut, GrowthOut, OrderOut, TapeOut
from service.api.verdict_routes import VerdictAnswer
from service.measuring.outcome import Outcome
from service.measuring.pool import MeasuringPool
from tests.service.cli.command import invoke


def run(*words: str):
    return invoke(words)


@pytest.fixture
def shelf(tmp_path):
    path = tmp_path / "shelf.csv"
    path.write_text("name;label;body_length;total_length\nA;1/8;255±2;421\nB;1/8;;406\nC;1/4;28 cm;463\n")
    return path


def test_a_tape_is_checked():
    result = run("tape", "418±6", "--arm-mm", "455±8", "--wrist-mm", "417±6")
    assert result.exit_code == 3
    assert "do not agree" in result.output
    assert "wrist" in result.output
    assert run("tape", "458±8", "--arm-mm", "455±8").exit_code == 0
    found = json.loads(run("tape", "458±8", "--arm-mm", "455±8", "--json").output)
    assert found["outcome"] == "consistent"


def test_an_order_is_written_with_its_drawing(tmp_path):
    drawing = tmp_path / "drawing.svg"
    result = run("order", "--arm-mm", "450±6", "--growth-mm", "10", "--drawing", str(drawing))
    assert result.exit_code == 0
    assert "Wanted: a violin with a body length from" in result.output
    assert drawing.read_text().startswith("<svg")
    assert json.loads(run("order", "--arm-mm", "450±6", "--json").output)["sizes"] == ["1/8"]


def test_an_order_can_last():
    plain = json.loads(run("order", "--arm-mm", "450±6", "--json").output)
    lasting = json.loads(run("order", "--arm-mm", "450±6", "--lasting-months", "6", "--age", "6.5", "--json").output)
    assert lasting["growth_mm"] == pytest.approx(12.5, abs=1.0)  # half of 25 mm a year (Snyder 1977)
    assert lasting["body_length"]["from_mm"] > plain["body_length"]["from_mm"]
    assert "go together" in run("order", "--arm-mm", "450±6", "--lasting-months", "6").output
    assert (lasting["growth_months"], lasting["growth_ends_at_years"]) == (6, None)
    assert any("of arm (months: 6)." in each for each in lasting["message"])


def test_an_order_says_where_the_figures_of_growth_end():
    """Of what is later than 15 years nothing is known, however many months were asked for."""
    asked = ("order", "--arm-mm", "590±4", "--age", "13", "--json")
    to_the_end, beyond = (json.loads(run(*asked, "--lasting-months", each).output) for each in ("24", "36"))
    assert to_the_end["growth_mm"] == beyond["growth_mm"] > 0
    assert (to_the_end["growth_ends_at_years"], beyond["growth_ends_at_years"]) == (None, 15)
    assert "of arm (months: 24)." in to_the_end["message"][1]
    assert "of arm, up to the age of 15 years only" in beyond["message"][1]


def test_of_two_instruments_the_room_for_the_fingers_is_compared():
    words = ("compare", "--arm-mm", "450±4", "--instrument", "A=256,423", "--instrument", "B=240,397")
    assert "more room from first to fourth" in run(*words).output
    found = json.loads(run(*words, "--json").output)["ranking"]
    assert found[0]["finger_room"]["measured"] is False


def test_growth_is_predicted():
    words = ("growth", "--at", "6=438±10", "--at", "6.5=449±8", "--sex", "girl", "--body-mm", "255±2")
    assert "becomes too small in about" in run(*words).output
    assert json.loads(run(*words, "--months", "12", "--json").output)["points"][-1]["months"] == 12


def test_growth_names_the_next_size_by_the_losses_that_an_order_weighs():
    for losses, size in (("exchange=6", "1/2"), ("strain_per_mm=60", "1/4")):
        grown = run("growth", "--at", "7=514±8", "--body-mm", "255±2", "--losses", losses, "--json")
        ordered = run("order", "--arm-mm", "514±8", "--losses", losses, "--json")
        assert json.loads(grown.output)["next_size"] == size
        assert size in json.loads(ordered.output)["sizes"]


def test_measurements_that_contradict_growth_are_told_to_programs_too():
    """As photos of one child, or tape and photo, that contradict one another."""
    grown = ("growth", "--at", "6.5=440±8", "--at")
    assert run(*grown, "7.5=465±8").exit_code == 0
    apart = run(*grown, "7.5=540±8")
    assert apart.exit_code == 3
    assert "contradict one another" in apart.output


def test_instruments_are_ranked(shelf):
    result = run("compare", "--arm-mm", "450±4", "--shelf", str(shelf), "--instrument", "D=217,359")
    lines = result.output.splitlines()
    assert len(lines) == 4
    assert lines[0].startswith("A (sold as 1/8, measures like 1/8): take it; fits; fits")
    assert "suits as well as the next" in lines[0]
    assert "suits better than the next" in lines[1]
    found = json.loads(run("compare", "--arm-mm", "450±4", "--shelf", str(shelf), "--first", "2", "--json").output)
    assert [each["name"] for each in found["ranking"]] == ["A", "B"]


def test_a_label_stands_beside_what_an_instrument_measures_like(tmp_path):
    path = tmp_path / "shelf.csv"
    path.write_text("name,label,body_length,total_length\nA,1/8,235±2,389±3\n")
    result = run("compare", "--arm-mm", "425±4", "--shelf", str(path))
    assert result.output.startswith("A (sold as 1/8, measures like 1/10): ")
    german = run("compare", "--arm-mm", "425±4", "--shelf", str(path), "--language", "de")
    assert "verkauft als 1/8, misst wie 1/10" in german.output


def test_of_two_that_suit_alike_the_one_in_the_better_state_is_first(tmp_path):
    path = tmp_path / "shelf.csv"
    rows = ["Loose,255±2,no,", "Unknown,255±2,,", "Sound,255±2,Yes,yes"]
    path.write_text("\n".join(["name,body_length,pegs_hold,bridge_cut,total_length", *(f"{row},421" for row in rows)]))
    found = json.loads(run("compare", "--arm-mm", "450±4", "--shelf", str(path), "--json").output)
    assert [each["name"] for each in found["ranking"]] == ["Sound", "Unknown", "Loose"]
    path.write_text("name,body_length,total_length,pegs_hold\nA,255,421,mostly\n")
    refused = run("compare", "--arm-mm", "450±4", "--shelf", str(path))
    assert refused.exit_code == 2
    assert "List row 2: pegs_hold: Write yes or no, or leave it empty." in " ".join(refused.output.split())


def test_a_class_is_sorted(tmp_path):
    children = tmp_path / "class.csv"
    children.write_text("name,arm\nP1,500±8\nP2,450±6\n")
    words = ("compare", "--class", str(children), "--instrument", "A=255±2,421±3")
    assert run(*words).output.splitlines()[0].startswith("P2: take it; fits")
    assert [each["name"] for each in json.loads(run(*words, "--json").output)["children"]] == ["P2", "P1"]


def test_all_children_of_a_class_are_named_unless_fewer_are_asked_for(tmp_path):
    children = tmp_path / "class.csv"
    children.write_text("name,arm\n" + "".join(f"P{number},450±6\n" for number in range(12)))
    words = ("compare", "--class", str(children), "--instrument", "A=255±2,421±3")
    assert len(run(*words).stdout.splitlines()) == 12
    three = run(*words, "--first", "3")
    assert len(three.stdout.splitlines()) == 3
    assert three.stderr == "9 more are not named here; --first names more.\n"
    assert run(*words, "--first", "5000").exit_code == 0


@pytest.mark.parametrize(
    "words",
    [
        ("tape", "450"),
        ("order",),
        ("compare", "--instrument", "A=255,421"),
    ],
)
def test_what_is_to_be_known_of_the_childs_photo_is_said(monkeypatch, tmp_path, words):
    photo = tmp_path / "child.jpg"
    photo.write_bytes(b"no photo")
    refused = run(*words, "--child", str(photo), "--json")
    assert refused.exit_code == 3
    told = json.loads(refused.stdout)
    assert (told["usable"], told["child"]["problems"][0]["code"]) == (False, "file_unreadable")

    remark = {"code": "bar_length", "message": "The bar is short.", "advice": "Measure it."}
    length = length_json(Length.stated(450.0, 4.0))

    async def measured(*_):
        return Outcome({"photo": "child.jpg", "usable": True, "problems": [remark], "arm_length": length})

    monkeypatch.setattr(MeasuringPool, "arm", measured)
    done = run(*words, "--child", str(photo))
    assert done.exit_code == 0
    assert done.stderr == "The bar is short. Measure it.\n"


def test_a_teachers_own_losses_choose_what_to_do():
    """On the edge of a quarter size: who can exchange at no cost takes the smaller, who cannot tries this one."""
    words = ("--arm-mm", "470±8", "--body-mm", "280±2", "--total-mm", "463±3")
    usual, free, dear = (
        json.loads(run("fit", *words, "--json", *more).output)["verdict"]
        for more in ((), ("--losses", "exchange=0"), ("--losses", "exchange=40"))
    )
    assert [each["action"] for each in (usual, free, dear)] == ["measure", "smaller", "try"]
    assert dear["losses"] == usual["losses"] | {"exchange": 40}
    for command, more in (("compare", ("--instrument", "A=280±2,463±3")), ("order", ())):
        wrong = run(command, "--arm-mm", "470±8", *more, "--losses", "exchange=-1")
        assert wrong.exit_code == 2
        assert "must be a number of days" in wrong.output


def test_losses_are_weighed_in_lists_and_orders(tmp_path):
    words = ("compare", "--arm-mm", "470±8", "--instrument", "A=280±2,463±3")
    assert json.loads(run(*words, "--losses", "exchange=0", "--json").output)["ranking"][0]["action"] == "smaller"
    children = tmp_path / "class.csv"
    children.write_text("name,arm\nP1,470±8\n")
    words = ("compare", "--class", str(children), "--instrument", "A=280±2,463±3")
    assert json.loads(run(*words, "--losses", "exchange=0", "--json").output)["children"][0]["action"] == "smaller"
    # being a little small is what such a teacher minds most: the larger size is ordered
    words = ("order", "--arm-mm", "470±12", "--json")
    assert json.loads(run(*words).output)["sizes"] == ["1/8"]
    assert json.loads(run(*words, "--losses", "small_per_mm=20").output)["sizes"] == ["1/4"]


def test_what_is_seen_on_the_present_instrument_counts_for_the_order():
    words = ("order", "--arm-mm", "436±8", "--json", "--present", "262±2,433±3")
    signs = ("--wrist-free", "no", "--fingers-easy", "no", "--elbow-bent", "no")
    strained = json.loads(run(*words, *signs).output)
    # the eighth of 255 mm that `fit` says to take instead, give or take 2 mm, and nothing longer
    judged = run("fit", "--arm-mm", "436±8", "--body-mm", "262±2", "--total-mm", "433±3", *signs, "--json").output
    assert json.loads(judged)["verdict"]["instead"]["size"] == "1/8"
    assert strained["sizes"][-1] == "1/8"
    assert strained["body_length"]["to_mm"] == 257
    hurt = json.loads(run("order", *words[1:4], "--present", "255,421", "--painless", "no").output)
    assert hurt["body_length"] is None
    assert "first settle" in hurt["message"][0]


def test_what_is_seen_on_the_present_instrument_counts_for_a_comparison():
    """Strained on an eighth: nothing as large is taken before that is settled; the next smaller one still is."""
    words = ("compare", "--arm-mm", "450±8", "--instrument", "A=255±2,421±3", "--instrument", "B=249±2,411±3", "--json")
    before = {each["name"]: each for each in json.loads(run(*words).output)["ranking"]}
    signs = ("--present", "255±2,421±3", "--wrist-free", "no")
    after = {each["name"]: each for each in json.loads(run(*words, *signs).output)["ranking"]}
    assert {name: each["action"] for name, each in before.items()} == {"A": "take", "B": "take"}
    assert {name: each["action"] for name, each in after.items()} == {"A": "set_up", "B": "take"}
    assert list(after) == ["B", "A"]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--wrist-free", "no"), "give --present"),
        (("--present", "255,421"), "at least one answer"),
        (("--present", "421,255", "--wrist-free", "no"), "421 mm is longer than any violin"),
        (("--present", ",", "--wrist-free", "no"), "Neither body length nor total length"),
    ],
)
@pytest.mark.parametrize("command", [("order",), ("compare", "--instrument", "A=255,421")])
def test_a_present_instrument_without_its_signs_or_lengths_is_asked_back(command, more, said):
    result = run(*command, "--arm-mm", "450±6", *more)
    assert result.exit_code == 2
    assert said in result.output


def test_words_are_in_german_where_asked():
    assert "Gesucht" in run("order", "--arm-mm", "450±6", "--language", "de").output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("order",), "Give either --arm-mm or --child"),
        (("order", "--arm-mm", "45"), "Did you mean 45 cm?"),
        (("growth", "--at", "six"), "write it like 6.5=440±10"),
        (("growth", "--at", "25=600"), "from 3 to 13 years"),
        (("tape", "forty", "--arm-mm", "455"), "is not a length"),
        (("compare", "--arm-mm", "450"), "Give instruments"),
        (("compare", "--arm-mm", "450", "--instrument", "A"), "write it like A=255±2,421±3"),
        (("compare", "--arm-mm", "450", "--instrument", "A=421,255"), "421 mm is longer than any violin"),
    ],
)
def test_wrong_usage_is_said_in_plain_words(words, said):
    result = run(*words)
    assert result.exit_code == 2
    assert said in result.output
    assert "Traceback" not in result.output


def test_wrong_lists_name_the_row(tmp_path):
    path = tmp_path / "list.csv"
    for text, said in (
        ("name,label,body_length,total_length\nA,1/8,,\n", "row 2: Neither body length"),
        ("name,label,body_length,total_length\nA,1/8,255,421\nB,,25,\n", "row 3: 25 mm is too short"),
        ("name,label\nA,1/8\n", "body_length, total_length is missing"),
        ("", "The list is empty"),
    ):
        path.write_text(text)
        result = run("compare", "--arm-mm", "450", "--shelf", str(path))
        assert result.exit_code == 2
        assert said in result.output
    path.write_text("name,arm\nP1,450\nP1,460\n")
    result = run("compare", "--class", str(path), "--instrument", "A=255,421")
    assert "P1 is there twice" in result.output
    path.write_bytes(b"\xff\xfe\x00name")
    assert run("compare", "--arm-mm", "450", "--shelf", str(path)).exit_code == 2


def test_a_chart_file_is_used(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text("size,arm_from,arm_to,body_length,total_length\nS,400,440,240,400\nL,440,480,260,430\n")
    assert json.loads(run("order", "--arm-mm", "420±4", "--chart", str(path), "--json").output)["sizes"] == ["S"]
    path.write_text("size,arm_from,arm_to,body_length,total_length\nS,400,430,240,400\nL,440,480,260,430\n")
    result = run("order", "--arm-mm", "420±4", "--chart", str(path))
    assert result.exit_code == 2
    assert "Chart row 3 (L): arms between 430 and 440 mm belong to no size" in result.output


def test_a_class_is_given_its_shelf(shelf, tmp_path):
    children = tmp_path / "class.csv"
    children.write_text("name,arm\nP1,452±6\nP2,490±8\nP3,545±8\n")
    result = run("assign", "--shelf", str(shelf), "--class", str(children))
    assert result.output.splitlines()[0] == "P1: A, take it"
    assert "P3: Wanted: a violin" in result.output
    found = json.loads(run("assign", "--shelf", str(shelf), "--class", str(children), "--json").output)
    assert [each["child"] for each in found["loans"]] == ["P1", "P2", "P3"]
    assert "is not a loss" in run("assign", "--shelf", str(shelf), "--class", str(children), "--losses", "x=1").output
    own = tmp_path / "mine.csv"
    own.write_text("size,arm_from,arm_to,body_length,total_length\nS,400,520,250,415\nL,520,600,300,495\n")
    words = ("assign", "--shelf", str(shelf), "--class", str(children), "--chart", str(own), "--json")
    by_own = json.loads(run(*words).output)["loans"]
    assert [each["instrument"] for each in by_own] != [each["instrument"] for each in found["loans"]]


def test_a_class_is_given_nothing_that_is_cracked_or_lent(tmp_path):
    shelf, children = tmp_path / "shelf.csv", tmp_path / "class.csv"
    heads = "name,label,body_length,total_length,whole,lent\n"
    shelf.write_text(f"{heads}A,1/8,255±2,421±3,no,\nB,1/8,255±2,421±3,,yes\nC,1/8,255±2,421±3,yes,no\n")
    children.write_text("name,arm\nP1,452±6\nP2,452±6\n")
    result = run("assign", "--shelf", str(shelf), "--class", str(children))
    assert "Lent out, and left aside: B." in result.output
    assert "C, take it" in result.output
    assert "Wanted: a violin" in result.output
    assert not {"A, take it", "B, take it"} & {line[4:] for line in result.output.splitlines()}
    ranked = run("compare", "--arm-mm", "452±6", "--shelf", str(shelf)).output
    assert "A (sold as 1/8, measures like 1/8): have it repaired first" in ranked
    assert "B (" not in ranked


def test_a_ranking_is_written_as_its_language_writes(tmp_path):
    path = tmp_path / "shelf.csv"
    path.write_text("name,label,body_length,total_length\nA,1/8,250,413\nB,1/4,280,463\n")
    said = run("compare", "--arm-mm", "450", "--shelf", str(path), "--language", "fr").output
    assert "%; " not in said
    assert "\u202f; convient mieux que le suivant" in said


def test_a_limit_is_a_number_that_people_write():
    assert "x<=306.9]" in run("arm", "--help").output.replace("\n", "")


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (VerdictAnswer, ("fit", "--arm-mm", "426±8", "--body-mm", "255±2", "--label", "1/4", "--wrist-free", "yes")),
        (OrderOut, ("order", "--arm-mm", "450±6")),
        (OrderOut, ("order", "--arm-mm", "250±6")),
        (GrowthOut, ("growth", "--at", "6=438±10", "--body-mm", "255±2")),
        (TapeOut, ("tape", "418±10", "--arm-mm", "455±8")),
        (ComparisonOut, ("compare", "--arm-mm", "450±6", "--instrument", "A=255±2,421±3")),
        (ClassOut, ("compare", "--class", "class.csv", "--instrument", "A=255±2,421±3")),
        (AssignmentOut, ("assign", "--class", "class.csv", "--shelf", "shelf.csv")),
    ],
)
def test_json_is_what_the_http_interface_describes(shelf, monkeypatch, answer, words):
    (shelf.parent / "class.csv").write_text("name,arm\nP1,450±6\nP2,600±6\n")
    monkeypatch.chdir(shelf.parent)
    found = json.loads(run(*words, "--json").stdout)
    assert answer.model_validate(found).model_dump(mode="json", exclude_unset=True) == found
