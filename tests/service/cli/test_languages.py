"""The command line in the language that is asked for."""

from __future__ import annotations

import importlib.util
import string
from pathlib import Path

import pytest

from service.cli.main import COMMANDS
from service.cli.words import OF_THE_PARSER, language_of, speak
from service.settings import Settings
from service.words.i18n import LANGUAGES, translator
from tests.service.cli.command import invoke


@pytest.mark.parametrize(
    ("words", "environment", "language"),
    [
        ("fit --language de", {"LANG": "en_GB.UTF-8"}, "de"),
        ("--help --language=de", {}, "de"),
        ("fit", {"LANG": "de_AT.UTF-8"}, "de"),
        ("fit", {"LC_ALL": "C", "LANG": "de_DE"}, "en"),
        ("fit", {"LC_MESSAGES": "de_CH@euro", "LANG": "en_US"}, "de"),
        ("fit", {"LANGUAGE": "xx:de", "LANG": "en_US"}, "de"),
        ("fit --language en", {"LANG": "de_DE"}, "en"),
        ("fit --language", {}, "en"),
        ("fit", {"LANG": "xx_YY"}, "en"),
        ("fit", {}, "en"),
    ],
)
def test_the_language_is_the_one_asked_for_or_the_shell_s(
    words: str, environment: dict[str, str], language: str
) -> None:
    assert language_of(words.split(), environment) == language


@pytest.mark.parametrize("language", [each for each in LANGUAGES if each != "en"])
@pytest.mark.parametrize("command", COMMANDS)
def test_the_help_is_translated_to_its_last_word(command: str, language: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """No line of the English help is left, but for names of options and what they take."""
    english, other = (invoke([command, "--help"]).output, _in_the_shell(monkeypatch, language, command))

    def words(text: str) -> set[str]:
        return {line.strip() for line in text.splitlines() if sum(each.isalpha() for each in line) > 24}

    kept = {line for line in words(english) & words(other) if "--" not in line and " " in line}
    assert not kept
    assert translator(language)("Usage:") in other
    assert translator(language)("Options") in other
    assert translator(language)("Show this message and exit.").split()[0] in other


def _in_the_shell(monkeypatch: pytest.MonkeyPatch, language: str, *words: str) -> str:
    monkeypatch.setenv("LANGUAGE", language)
    try:
        return invoke([*words, "--help"]).output
    finally:
        monkeypatch.delenv("LANGUAGE")


def test_the_list_of_commands_is_translated(monkeypatch: pytest.MonkeyPatch) -> None:
    told = _in_the_shell(monkeypatch, "de")
    assert "Befehle:" in told
    assert "Das Referenzblatt zum Ausdrucken" in told
    assert "Es entscheidet die Lehrkraft" in " ".join(told.split())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("order --language de", "Entweder --arm-mm oder --child angeben."),
        ("order --arm-mm 45 --language de", "Meinten Sie 45 cm?"),
        ("fit --arm 450 --language de", "Die Option '--arm' gibt es nicht."),
        ("growth --at six --language de", "ist keine Messung; schreiben Sie sie wie 6.5=440±10."),
        ("arm nowhere.jpg --language de", "'nowhere.jpg' gibt es nicht."),
        ("order --arm-mm 450 --growth-mm 500 --language de", "500.0 liegt nicht in 0<=x<=100."),
    ],
)
def test_wrong_usage_is_said_in_german(words: str, said: str) -> None:
    result = invoke(words.split())
    assert result.exit_code == 2
    assert said in " ".join(result.output.split())
    assert "Fehler:" in result.output
    assert "Hilfe gibt" in result.output


def test_answers_follow_the_shell(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LANG", "de_DE.UTF-8")
    for name in ("LANGUAGE", "LC_ALL", "LC_MESSAGES"):
        monkeypatch.delenv(name, raising=False)
    assert "Gesucht" in invoke(["order", "--arm-mm", "450±6"]).output
    assert "Wanted" in invoke(["order", "--arm-mm", "450±6", "--language", "en"]).output


def test_the_parser_s_words_are_those_of_its_code() -> None:
    """What the option parser no longer says need not be translated."""
    speak("en")
    found = importlib.util.find_spec("click")
    assert found is not None
    assert found.origin is not None
    code = "".join(path.read_text() for path in Path(found.origin).parent.glob("*.py"))
    for text in OF_THE_PARSER:
        assert f'"{text}"'.replace("\n", "\\n").replace("\t", "\\t") in code, text
        assert all(name.isidentifier() for _, name, _, _ in string.Formatter().parse(text) if name)


@pytest.mark.parametrize("language", [each for each in LANGUAGES if each != "en"])
def test_what_settings_mean_is_translated(language: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LANGUAGE", language)
    shown = invoke(["serve", "--settings"]).output
    meanings = [field.description or "" for field in Settings.model_fields.values()]
    assert not [each for each in meanings if each in shown]
    assert all(f"    {translator(language)(each)}\n" in shown for each in meanings)
