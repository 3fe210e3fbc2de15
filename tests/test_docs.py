"""What the documents promise is so: commands, options, keys, cautions, links, the two command lines of the README."""

from __future__ import annotations

import argparse
import re
import shlex
import subprocess
import tomllib
from pathlib import Path

import pytest

from rimward.live import cli
from rimward.live.cautions import CAUTIONS
from rimward.live.practice import _ACTIONS
from rimward.live.screen import KEYS, WINDOW_ACTIONS

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
DOCUMENTS = sorted([*ROOT.glob("*.md"), *(ROOT / "tests").rglob("README.md")])
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]


def section(text: str, heading: str) -> str:
    found = re.search(rf"^## {re.escape(heading)}\n(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    assert found is not None, f"no section '## {heading}'"
    return found[1]


def fenced(text: str) -> list[str]:
    return [block.strip() for block in re.findall(r"^```\w*\n(.*?)^```", text, re.MULTILINE | re.DOTALL)]


def commands() -> dict[str, argparse.ArgumentParser]:
    (choices,) = [action.choices for action in cli._parser()._actions if isinstance(action, argparse._SubParsersAction)]
    return dict(choices)


def options(parser: argparse.ArgumentParser) -> set[str]:
    return {name for action in parser._actions for name in action.option_strings if name.startswith("--")}


def test_the_first_command_line_sets_up_and_runs_the_main_job():
    first = fenced(section(README, "Quick start"))[0]
    assert "\n" not in first
    assert first == "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/rimward demo"


def test_one_command_line_sets_up_and_passes_the_tests():
    (line,) = fenced(section(README, "Tests"))
    steps = line.split(" && ")
    assert "\n" not in line
    assert steps[0] == "python3 -m venv .venv"
    assert shlex.split(steps[1]) == [".venv/bin/pip", "install", "-e", ".[test]"]
    assert steps[2:] == [".venv/bin/rimward setup", ".venv/bin/python -m pytest"]


def test_the_ci_runs_the_readmes_test_command_word_for_word():
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    (extraction,) = re.findall(r"^tests=\$\(.*\)$", script, re.MULTILINE)
    taken = subprocess.run(
        ["bash", "-c", f'{extraction}; printf %s "$tests"'], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    assert [taken] == fenced(section(README, "Tests"))
    assert script.count("$tests") >= 2
    assert "pytest" not in script.replace("'.[test,lint]'", ""), "the tests are started by the README's line alone"


def test_every_command_is_in_the_readme_and_has_help():
    table = section(README, "Commands")
    for name, parser in commands().items():
        assert f"`rimward {name}`" in table
        assert parser.description


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_commands_and_options_that_are_named_exist(path):
    known = set().union(*(options(parser) for parser in commands().values())) | {"--version", "--help"}
    text = path.read_text("utf-8")
    for name, rest in re.findall(r"rimward (?!-)([a-z]+)\b([^`\n]*)[`\n]", text):
        if re.search(rf"(?:`|/bin/|^ *)rimward {name}", text, re.MULTILINE):
            assert name in commands(), f"rimward {name}"
            assert set(re.findall(r"--[a-z-]+", rest)) <= options(commands()[name]), f"rimward {name}{rest}"
    if path.name == "README.md" and path.parent == ROOT:
        assert set(re.findall(r"`(--[a-z-]+)", text)) <= known


def test_every_option_of_the_main_job_can_be_found():
    """In the README or, for those that only repeat a setting, in their help."""
    assert {"--clip", "--headless", "--json", "--player", "--hand", "--stature-m", "--pose-model", "--settings"} <= set(
        re.findall(r"--[a-z-]+", README)
    )
    for parser in commands().values():
        assert all(action.help for action in parser._actions)


@pytest.mark.parametrize("caution", CAUTIONS)
def test_the_cautions_are_in_the_readme(caution):
    assert caution in README


def test_the_keys_are_those_of_the_window():
    table = section(README, "Keys")
    words = {"escape": "Esc"}
    for action in (*_ACTIONS, *WINDOW_ACTIONS):
        key = KEYS[action][0]
        assert re.search(rf"\b{words.get(key, key.title())}\b", table), f"{key} for {action}"


def test_every_example_of_the_help_can_be_typed():
    for name, parser in commands().items():
        found = re.search(r"Example: (rimward .*)", parser.epilog or "")
        assert found is not None, name
        program, *words = shlex.split(found[1])
        assert program == "rimward"
        assert cli._parser().parse_args(words).run is not None
        assert words[0] == name


def test_the_python_that_is_asked_for():
    assert PROJECT["requires-python"] == ">=3.11"
    assert "Python 3.11" in section(README, "Quick start")


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_links_and_files_that_are_named_exist(path):
    text = path.read_text("utf-8")
    linked = [target for target in re.findall(r"\]\(([^)#\s]+)", text) if "://" not in target]
    missing = [target for target in linked if not (path.parent / target).exists()]
    named = re.findall(r"`((?:live|calibration|config|sounds|tests|\.ci)/[\w./-]+)`", text)
    missing += [name for name in named if not (ROOT / name).exists()]
    assert missing == []


def test_modules_that_the_guide_names_exist():
    named = re.findall(r"`(\w+\.py)`", DEVELOPERS)
    assert [name for name in named if not (ROOT / "live" / name).exists()] == []


def test_extras_that_are_named_exist():
    for path in DOCUMENTS:
        for extras in re.findall(r"'?\.\[([\w,]+)\]", path.read_text("utf-8")):
            assert set(extras.split(",")) <= PROJECT["optional-dependencies"].keys()


def test_the_changelog_speaks_of_this_version():
    changelog = (ROOT / "CHANGELOG.md").read_text("utf-8")
    headings = re.findall(r"^## (.*)$", changelog, re.MULTILINE)
    assert headings[0] == "Unreleased" or headings[0].startswith(PROJECT["version"])


def test_the_licence_is_the_one_that_is_declared():
    assert PROJECT["license"] == "MIT"
    assert (ROOT / "LICENSE").read_text("utf-8").startswith("MIT License")
