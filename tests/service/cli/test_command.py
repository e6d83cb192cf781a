"""The command on the sample photos: as its users run it, a process of its own, and more of it within this one."""

import json
import re
import subprocess
import sys
from pathlib import Path

import click
import numpy as np
import pytest
from PIL import Image, ImageChops

from service.cli.main import commands
from tests.service.cli.command import invoke
from tests.vision.filming import film

SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"
COMMAND = Path(sys.executable).with_name("scrollreach")


def run(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    command = [str(COMMAND), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


def within(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """The same within this process, whose measuring workers need not load everything anew each time."""
    words = list(map(str, arguments))
    done = invoke(words)
    return subprocess.CompletedProcess(words, done.exit_code, done.stdout, done.stderr)


def truths() -> dict[str, dict[str, float]]:
    """True lengths by sample, from the table in the samples' README."""
    found: dict[str, dict[str, float]] = {}
    for line in (SAMPLES / "README.md").read_text().splitlines():
        lengths = {name: float(mm) for name, mm in re.findall(r"(arm|body|total) (\d+\.\d)", line)}
        for photo in re.findall(r"[\w-]+\.(?:jpg|mp4)", line):
            found[photo] = lengths
    return found


def test_two_photos_give_a_verdict_and_a_picture(tmp_path: Path) -> None:
    picture = tmp_path / "verdict.jpg"
    done = run(
        "fit", "--child", SAMPLES / "child-1.jpg", "--instrument", SAMPLES / "instrument-1.jpg", "--label", "1/4",
        "--picture", picture,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "the teacher who sees the child play decides" in done.stdout
    assert done.stderr == ""
    assert picture.read_bytes()[:3] == b"\xff\xd8\xff"


def test_a_picture_is_of_the_kind_that_its_name_says(tmp_path: Path) -> None:
    picture = tmp_path / "arm.PNG"
    done = within("arm", SAMPLES / "child-1.jpg", "--picture", picture)
    assert done.returncode == 0, done.stderr
    with Image.open(picture) as written:
        assert written.format == "PNG"


def test_a_picture_speaks_the_language_that_is_asked_for(tmp_path: Path) -> None:
    english, german = tmp_path / "en.png", tmp_path / "de.png"
    for language, picture in (("en", english), ("de", german)):
        within("instrument", SAMPLES / "instrument-1.jpg", "--picture", picture, "--language", language)
    with Image.open(english) as one, Image.open(german) as other:
        assert one.size == other.size
        assert ImageChops.difference(one, other).getbbox()[1] > 0.9 * one.height  # all but the words is the same


def test_a_stated_age_that_contradicts_the_photo_is_named_in_a_verdict_too() -> None:
    done = within("fit", "--child", SAMPLES / "child-1.jpg", "--body-mm", "280±2", "--age", "4", "--language", "de")
    assert done.returncode == 0, done.stderr
    said = "Das Foto und das angegebene Alter oder die Körpergröße passen nicht zusammen; geglaubt wird dem Foto."
    assert done.stdout.startswith(said)


def test_each_photo_gets_a_line_in_the_order_given(tmp_path: Path) -> None:
    nonsense = tmp_path / "nonsense.jpg"
    nonsense.write_bytes(b"not a photo")
    done = run("arm", SAMPLES / "child-2.jpg", nonsense, SAMPLES / "child-elbow-bent.jpg", "--json")
    good, unreadable, bent = map(json.loads, done.stdout.splitlines())
    assert done.returncode == 3
    assert [each["photo"] for each in (good, unreadable, bent)] == [
        "child-2.jpg",
        "nonsense.jpg",
        "child-elbow-bent.jpg",
    ]
    assert good["usable"]
    assert good["side"] == "left"
    assert good["arm_length"]["low_mm"] < truths()["child-2.jpg"]["arm"] < good["arm_length"]["high_mm"]
    for refused in (unreadable, bent):
        assert not refused["usable"]
        assert refused["arm_length"] is None
        assert refused["problems"][0]["advice"]
    assert bent["problems"][0]["code"] == "elbow_bent"


def test_a_child_is_measured_from_several_photos_and_from_a_film(tmp_path: Path) -> None:
    files, picture = [SAMPLES / f"child-5-{letter}.jpg" for letter in "abc"], tmp_path / "film.jpg"
    done = within("arm", *files, "--same", "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    *alone, together = map(json.loads, done.stdout.splitlines())
    assert len(alone) == together["photos"] == 3
    assert together["viewpoints_deg"] > 8
    width = together["arm_length"]["high_mm"] - together["arm_length"]["low_mm"]
    assert all(width < each["arm_length"]["high_mm"] - each["arm_length"]["low_mm"] for each in alone)
    filmed = within("arm", SAMPLES / "child-4.mp4", "--json", "--picture", picture)
    assert filmed.returncode == 0, filmed.stdout + filmed.stderr
    walked = json.loads(filmed.stdout)
    assert walked["photo"] == "child-4.mp4"
    assert walked["photos"] >= 3
    assert picture.read_bytes()[:3] == b"\xff\xd8\xff"
    for result, photo in ((together, "child-5-a.jpg"), (walked, "child-4.mp4")):
        assert result["arm_length"]["low_mm"] < truths()[photo]["arm"] < result["arm_length"]["high_mm"]
    verdict = within("fit", "--child", SAMPLES / "child-4.mp4", "--body-mm", "262±2")
    assert verdict.returncode == 0, verdict.stderr


def test_an_instrument_is_measured_from_one_photo_and_from_two() -> None:
    files = [SAMPLES / "instrument-4-first.jpg", SAMPLES / "instrument-4-second.jpg"]
    alone = within("instrument", files[0], "--json")
    together = within("instrument", *files, "--same", "--json")
    assert (alone.returncode, together.returncode) == (0, 0), alone.stdout + together.stdout
    truth = truths()["instrument-4-first.jpg"]
    widths = []
    for done in (alone, together):
        (result,) = map(json.loads, done.stdout.splitlines())
        for name, true_mm in (("body_length", truth["body"]), ("total_length", truth["total"])):
            assert result[name]["low_mm"] - 1 < true_mm < result[name]["high_mm"] + 1
        widths.append(result["body_length"]["high_mm"] - result["body_length"]["low_mm"])
    assert widths[1] < widths[0]


def test_a_photo_of_another_child_shows_in_the_status() -> None:
    files = [SAMPLES / name for name in ("child-5-a.jpg", "child-5-b.jpg", "child-5-c.jpg", "child-1.jpg")]
    done = within("arm", *files, "--same", "--json")
    *alone, together = map(json.loads, done.stdout.splitlines())
    assert all(each["usable"] for each in (*alone, together)), "else it were the others' fault"
    assert together["left_out"] == ["child-1.jpg"]
    assert done.returncode == 3
    judged = within("fit", *(word for file in files for word in ("--child", file)), "--body-mm", "240±2")
    assert "Not all photos go with one another" in judged.stdout
    assert judged.returncode == 3


def test_of_several_photos_it_is_said_which_shows_too_little_and_why(tmp_path: Path) -> None:
    sharp = [SAMPLES / f"instrument-5-{letter}.jpg" for letter in "ab"]
    blurred, no_photo = SAMPLES / "instrument-blurred.jpg", tmp_path / "list.jpg"
    no_photo.write_text("no photo")
    for bad, code in ((blurred, "photo_blurred"), (no_photo, "file_unreadable")):
        two = within("instrument", sharp[0], bad, "--same", "--json")
        assert two.returncode == 3
        result = json.loads(two.stdout)
        assert [(each["number"], each["photo"], each["code"]) for each in result["unused"]] == [(2, bad.name, code)]
    said = within("instrument", blurred, sharp[0], "--same").stdout
    assert said.count("This photo is blurred.") == said.count("instrument-blurred.jpg: This photo is blurred.") == 1
    three = within("fit", "--arm-mm", "400", *(word for file in (*sharp, blurred) for word in ("--instrument", file)))
    assert three.returncode == 3
    assert "suits arms from" in three.stdout, "the others are enough for a verdict"
    assert "instrument-blurred.jpg: This photo is blurred." in three.stdout


def test_an_instrument_is_measured_from_three_photos_and_from_a_film(tmp_path: Path) -> None:
    """The film goes slowly over the same three views."""
    files, walk = [SAMPLES / f"instrument-5-{letter}.jpg" for letter in "abc"], tmp_path / "walk.mp4"
    pictures = [np.asarray(Image.open(file).resize((1440, 1080))) for file in files]
    walk.write_bytes(film([each for each in pictures for _ in range(5)]))
    truth = truths()["instrument-5-a.jpg"]
    for asked in ((*files, "--same", "--bar-mm", "150"), (walk,)):
        done = within("instrument", *asked, "--json")
        assert done.returncode == 0, done.stdout + done.stderr
        (result,) = map(json.loads, done.stdout.splitlines())
        assert result["photos"] >= 3
        assert result["viewpoints_deg"] > 8
        assert result["left_out"] == []
        assert result["photo"] == (walk.name if asked[0] == walk else " + ".join(file.name for file in files))
        for name, true_mm in (("body_length", truth["body"]), ("total_length", truth["total"])):
            assert result[name]["low_mm"] < true_mm < result[name]["high_mm"]
    said = within("instrument", *files, "--same").stdout
    assert "Measured from 3 pictures together" in said
    fits = within("fit", "--arm-mm", "400±8", *(f"--instrument={file}" for file in files), "--json")
    assert fits.returncode == 0, fits.stderr
    assert json.loads(fits.stdout)["instrument"]["photos"] == 3


def test_typed_numbers_are_enough() -> None:
    done = run("fit", "--arm-mm", "460+-8", "--body-mm", "253±1", "--total-mm", "425±2", "--label", "1/8", "--json")
    verdict = json.loads(done.stdout)["verdict"]
    assert done.returncode == 0
    assert sum(verdict["probabilities"].values()) == pytest.approx(1, abs=1e-3)
    assert verdict["instrument"]["nearest_size"] == "1/8"


@pytest.mark.parametrize(
    "arguments",
    [
        ("arm",),
        ("arm", "no-such-photo.jpg"),
        ("fit", "--arm-mm", "long", "--body-mm", "253"),
        ("fit", "--arm-mm", "46", "--body-mm", "253"),
        ("fit", "--arm-mm", "460"),
        ("sheet", "--index", "9", "--out", "sheet.pdf"),
        ("sheet", "--out", "no/such/folder/sheet.pdf"),
        ("play",),
    ],
)
def test_wrong_usage_is_said_in_words(arguments: tuple[str, ...]) -> None:
    done = run(*arguments)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "Error:" in done.stderr


def test_the_list_of_commands_says_what_their_own_help_says() -> None:
    context = click.Context(commands)
    for name, later in commands.later.items():
        command = commands.get_command(context, name)
        assert command is not None
        assert command.get_short_help_str(200) == later.words
