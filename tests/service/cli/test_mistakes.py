"""Wrong input on the command line: one sentence that a parent understands, exit status 2, never a traceback."""

from __future__ import annotations

import errno
import os
import socket
from pathlib import Path

import pytest
from click.testing import Result

from service.cli.main import COMMANDS
from tests.service.cli.command import invoke

FILES = {
    "empty.csv": b"",
    "binary.csv": b"\xff\xfe\x00\x01",
    "no-columns.csv": b"size,arm_from\n1/8,400\n",
    "word.csv": b"size,arm_from,arm_to,body_length,total_length\n1/8,440,470,abc,420\n1/4,470,500,280,460\n",
    "no-lengths.csv": b"name;label;body_length;total_length\nA;1/8;;\n",
    "negative.csv": b"name,arm\nP1,-5\n",
    "endless.csv": b"size,arm_from\n" + b"1" * 200_000,
    "class.csv": b"name,arm\nP1,450\n",
    "photo.jpg": b"no photo",
    "same.jpg": b"no photo",
}


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "folder").mkdir()
    for name, content in FILES.items():
        (tmp_path / name).write_bytes(content)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(words: str) -> Result:
    return invoke(words.split())


@pytest.mark.usefixtures("place")
@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("arm missing.jpg", "does not exist"),
        ("arm folder", "is a directory"),
        ("arm photo.jpg --age nan", "not a number"),
        ("arm photo.jpg --age -3", "not in the range"),
        ("arm photo.jpg --stature 1.4", "not in the range"),
        ("arm photo.jpg --stature inf", "not in the range"),
        ("arm photo.jpg --side both", "is not one of"),
        ("arm photo.jpg --picture picture.gif", "it has to end in .jpg or .png"),
        ("arm photo.jpg --picture no/such/picture.jpg", "There is no folder 'no/such'"),
        ("arm photo.jpg same.jpg --same", "are the same photo"),
        ("arm photo.jpg --bar-mm 15", "If it is 15 cm, write 150."),
        ("instrument folder", "is a directory"),
        ("instrument photo.jpg --sheet-height-mm -400", "not in the range"),
        ("instrument photo.jpg --sheet-height-mm nan", "not a number"),
        ("arm photo.jpg --stature 128", "If it is 128 cm, write 1280."),
        ("arm photo.jpg --bar-mm 14,9", "If it is 14.9 cm, write 149."),
        ("arm photo.jpg --stature 12", "not in the range"),
        ("arm photo.jpg --age 0.5", "not in the range"),
        ("growth --at 462=7", "write it like 6.5=440±10"),
        ("instrument photo.jpg same.jpg --same", "are the same photo"),
        ("fit", "Give a photo of the child"),
        ("fit --arm-mm 450", "Give a photo of the instrument"),
        ("fit --body-mm 250", "Give a photo of the child"),
        ("fit --arm-mm 450 --child photo.jpg --body-mm 250", "either photos of the child or the length"),
        ("fit --arm-mm 450 --instrument photo.jpg --body-mm 250", "either photos of the instrument or its lengths"),
        ("fit --child photo.jpg --child same.jpg --body-mm 250", "are the same photo"),
        ("fit --arm-mm 450 --instrument photo.jpg --instrument same.jpg", "are the same photo"),
        ("fit --arm-mm long --body-mm 250", "is not a length"),
        ("fit --arm-mm -450 --body-mm 250", "is not a length"),
        ("fit --arm-mm 450±-3 --body-mm 250", "is not a length"),
        ("fit --arm-mm 450±900 --body-mm 250", "more than half of 450 mm"),
        ("fit --arm-mm 45 --body-mm 250", "Did you mean 45 cm"),
        ("fit --arm-mm 4500 --body-mm 250", "between 200 and 800 mm"),
        ("fit --arm-mm 450 --body-mm 250 --total-mm 240", "longer than the body"),
        ("fit --arm-mm 450 --body-mm 250 --wrist-free perhaps", "not a valid boolean"),
        ("fit --arm-mm 450 --body-mm 250 --chart empty.csv", "The chart is empty"),
        ("fit --arm-mm 450 --body-mm 250 --chart binary.csv", "not a text file"),
        ("fit --arm-mm 450 --body-mm 250 --chart no-columns.csv", "first line must name the columns"),
        ("fit --arm-mm 450 --body-mm 250 --chart word.csv", "“abc” is not a number"),
        ("fit --arm-mm 450 --body-mm 250 --chart endless.csv", "not a table of rows"),
        ("fit --arm-mm 450 --body-mm 250 --chart folder", "is a directory"),
        ("fit --arm-mm 450 --body-mm 250 --bar-mm 200", "Neither the bar nor the whole print is 200 mm long"),
        ("fit --arm-mm 450 --body-mm 250 --label an-eighth-or-a-tenth", "At most 16 letters"),
        ("fit --arm-mm 450 --body-mm 250 --losses exchange", "write it like exchange=10"),
        ("fit --arm-mm 450 --body-mm 250 --picture verdict.jpg", "There is no photo to draw into"),
        ("fit --body-mm 250" + 9 * " --child photo.jpg", "at most 8 at once"),
        ("sheet --out folder", "is a directory"),
        ("sheet --out no/such/sheet.pdf", "There is no folder"),
        ("sheet --out sheet.jpg", "has to end in .pdf or .png"),
        ("sheet --paper a3 --out sheet.pdf", "is not one of"),
        ("sheet --index 0 --out sheet.pdf", "not in the range"),
        ("sheet --dpi 5 --format png --out sheet.png", "not in the range"),
        ("tape 450", "either --arm-mm or --child"),
        ("tape long --arm-mm 450", "is not a length"),
        ("tape 450 --arm-mm 450 --wrist-mm 999999", "cannot be the length"),
        ("order", "either --arm-mm or --child"),
        ("order --arm-mm 450 --growth-mm nan", "not a number"),
        ("order --arm-mm 450 --growth-mm -4", "not in the range"),
        ("order --arm-mm 450 --lasting-months 6", "go together"),
        ("order --arm-mm 450 --age 6", "go together"),
        ("order --arm-mm 450 --lasting-months 6 --age -2", "from 3 to 13 years"),
        ("order --arm-mm 450 --lasting-months 6 --age 6 --growth-mm 5", "either the growth to allow for or the months"),
        ("order --arm-mm 450 --drawing no/such.svg", "There is no folder"),
        ("growth", "Missing option"),
        ("growth --at 6", "is not a measurement"),
        ("growth --at nan=440", "is not a measurement"),
        ("growth --at -6=440", "from 3 to 13 years"),
        ("growth --at 6=44", "Did you mean 44 cm"),
        ("compare --arm-mm 450", "Give instruments"),
        ("compare --arm-mm 450 --instrument A", "is not an instrument"),
        ("compare --arm-mm 450 --instrument =250,420", "is not an instrument"),
        ("compare --arm-mm 450 --shelf no-lengths.csv", "Neither body length nor total length"),
        ("compare --arm-mm 450 --shelf empty.csv", "The list is empty"),
        ("compare --arm-mm 450 --shelf binary.csv", "not a text file"),
        ("compare --class negative.csv --instrument A=250,420", "is not a length"),
        ("compare --class class.csv --instrument A=250,420 --arm-mm 450", "leave out --arm-mm"),
        ("compare --class class.csv --instrument A=250,420 --instrument B=250,420", "exactly one instrument"),
        ("serve --port 99999", "not in the range"),
        ("serve --host nowhere.invalid --port 8765", "Cannot listen on nowhere.invalid"),
        ("sing", "No such command"),
    ],
)
def test_wrong_input_is_said_in_words(words: str, said: str) -> None:
    done = run(words)
    assert done.exit_code == 2, done.output
    assert isinstance(done.exception, SystemExit)
    (error,) = [line for line in done.output.splitlines() if line.startswith("Error: ")]
    assert said in error


def test_the_help_of_every_command_names_limits_that_there_are() -> None:
    for name in COMMANDS:
        assert "None" not in run(f"{name} --help").output


def test_a_number_may_have_a_decimal_comma() -> None:
    """As people type lengths in most languages of the pages."""
    comma, point = (run(f"order --arm-mm 450±6 --growth-mm {typed} --json") for typed in ("7,5", "7.5"))
    assert comma.exit_code == 0
    assert comma.output == point.output


def test_no_part_of_a_new_file_is_left_where_the_disk_is_full(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, _: bytes) -> None:
        path.touch()
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def read_only(*_: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(Path, "write_bytes", full)
    done = run("order --arm-mm 450±6 --drawing drawing.svg")
    assert (done.exit_code, "Cannot write drawing.svg: No space left" in done.output) == (2, True)
    assert not (place / "drawing.svg").exists()
    monkeypatch.setattr(Path, "write_bytes", read_only)
    monkeypatch.setattr(Path, "unlink", read_only)
    done = run("order --arm-mm 450±6 --drawing drawing.svg")
    assert (done.exit_code, "Cannot write drawing.svg: Read-only file system" in done.output) == (2, True)


def test_a_taken_port_is_said_in_words() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        done = run(f"serve --port {taken.getsockname()[1]}")
    assert done.exit_code == 2
    assert "Cannot listen on 127.0.0.1" in done.output
    assert "name another by --port" in " ".join(done.output.split())


def test_wrong_settings_are_said_in_words(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SCROLLREACH_LINK_DAYS", "many")
    done = run("serve")
    assert done.exit_code == 2
    assert "SCROLLREACH_LINK_DAYS" in done.output
    assert "'many'" in done.output
    monkeypatch.delenv("SCROLLREACH_LINK_DAYS")
    (place / "scrollreach.toml").write_text("port = \n")
    broken = run("serve")
    assert broken.exit_code == 2
    assert "file of settings cannot be read" in broken.output


def test_the_listed_settings_may_be_given_back(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SCROLLREACH_METRICS_TOKEN", "a-secret-token")
    listed = run("serve --settings").output
    assert "a-secret-token" not in listed
    for line in listed.splitlines():
        name, equals, value = line.partition("=")
        if equals and not line.startswith(" ") and value != "(set)":
            monkeypatch.setenv(name, value)
    assert run("serve --settings").output == listed


@pytest.mark.parametrize(
    ("address", "shown"),
    [
        ("postgresql://ann:p4ss%40word@db:5432/fits", "postgresql://ann:***@db:5432/fits"),
        ("postgresql://db/fits", "postgresql://db/fits"),
        ("postgresql://ann:p4ss%40word@db:port/fits", "(set)"),
    ],
)
def test_the_listed_settings_tell_no_password_of_a_database(
    place: Path, monkeypatch: pytest.MonkeyPatch, address: str, shown: str
) -> None:
    monkeypatch.setenv("SCROLLREACH_DATABASE_URL", address)
    listed = run("serve --settings").output
    assert f"SCROLLREACH_DATABASE_URL={shown}\n" in listed
    assert "p4ss" not in listed


def test_a_certificate_that_is_none_is_said_in_words(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (place / "service.pem").write_text("no certificate")
    monkeypatch.setenv("SCROLLREACH_CERTIFICATE_KEY", "service.key")
    for file in ("missing.pem", "service.pem"):
        monkeypatch.setenv("SCROLLREACH_CERTIFICATE_FILE", file)
        done = run("serve --port 8765")
        assert done.exit_code == 2
        assert f"The certificate {file} with the key service.key cannot be used" in done.output
        assert "runs at" not in done.output


@pytest.mark.parametrize(
    ("file", "said"),
    [("data", "Cannot keep data in data"), ("data/secret", "secret is damaged"), ("data/records.sqlite", "is damaged")],
)
def test_a_data_folder_that_is_none_is_said_in_words(
    place: Path, monkeypatch: pytest.MonkeyPatch, file: str, said: str
) -> None:
    (place / file).parent.mkdir(exist_ok=True)
    (place / file).write_text("neither a secret nor records, but longer than the head of either")
    monkeypatch.setenv("SCROLLREACH_DATA_FOLDER", "data")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    done = run(f"serve --port {port}")
    assert done.exit_code == 2
    assert said in done.output


def test_the_program_lists_its_settings(place: Path) -> None:
    (place / "scrollreach.toml").write_text("link_days = 9\n")
    done = run("serve --settings")
    assert done.exit_code == 0
    assert "SCROLLREACH_LINK_DAYS=9" in done.output
    assert "SCROLLREACH_PHOTO_DAYS=14" in done.output
    assert not (place / "scrollreach-data").exists()


def test_the_kind_of_a_sheet_follows_its_name(place: Path) -> None:
    assert run("sheet --dpi 72 --out sheet.png").exit_code == 0
    assert (place / "sheet.png").read_bytes().startswith(b"\x89PNG")
    assert run("sheet --out sheet").exit_code == 0
    assert (place / "sheet").read_bytes().startswith(b"%PDF")


def test_answers_about_playing_decide_below_quarter_size() -> None:
    asked = run("fit --arm-mm 426±4 --body-mm 255±1 --total-mm 421±1 --why")
    assert "Does the left wrist stay free" in asked.output
    good = " ".join(f"--{name} yes" for name in ("wrist-free", "fingers-easy", "bow-clear", "elbow-bent", "painless"))
    answered = run(f"fit --arm-mm 426±4 --body-mm 255±1 --total-mm 421±1 {good}")
    assert "It can be played." in answered.output
    hurts = run(f"fit --arm-mm 455±6 --body-mm 255±1 --total-mm 421±1 {good} --painless no")
    assert "Stop playing this instrument" in hurts.output


def test_an_open_verdict_names_the_next_step() -> None:
    assert "Measure once more before you decide: " in run("fit --arm-mm 470±8 --body-mm 280±1 --total-mm 463±2").output


def test_a_body_and_a_total_length_that_no_violin_has_together() -> None:
    for total in (300, 500):
        done = run(f"fit --arm-mm 450±8 --body-mm 255 --total-mm {total}")
        assert done.exit_code == 2
        assert "do not go together" in done.output


def test_a_parent_reads_six_lines_at_most_and_the_rest_on_asking() -> None:
    short = run("fit --arm-mm 450±8 --body-mm 255±1 --total-mm 421±2 --label 1/4")
    assert len(short.output.splitlines()) <= 6
    full = run("fit --arm-mm 450±8 --body-mm 255±1 --total-mm 421±2 --label 1/4 --why")
    assert len(full.output.splitlines()) > 10
