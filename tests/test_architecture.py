"""The rules that the import contracts in pyproject.toml cannot see: names, clocks, files at import, flat folders."""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("live", "calibration")
MODULES = sorted(path for package in PACKAGES for path in (ROOT / package).glob("*.py"))
EVERYTHING = sorted([*MODULES, *(ROOT / "tests").rglob("*.py"), *(ROOT / "sounds").glob("*.py")])


def pure_middle() -> list[str]:
    """The modules that the contract in pyproject.toml calls pure."""
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    (contract,) = [contract for contract in contracts if "pure" in contract["name"]]
    return [module.removeprefix("rimward.live.") for module in contract["source_modules"]]


def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"), str(path))


def imported(node: ast.AST) -> list[str]:
    """Absolute names that a statement imports."""
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    if isinstance(node, ast.ImportFrom) and node.level == 0 and node.module is not None:
        return [node.module]
    return []


def top(name: str) -> str:
    return name.split(".", 1)[0]


@pytest.mark.parametrize("path", EVERYTHING, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_nobody_imports_a_folder_of_the_checkout_as_a_package(path):
    """`import live` would be a second, different copy of rimward.live."""
    bare = {"live", "calibration", "config", "sounds", "tests"}
    found = [(node.lineno, name) for node in ast.walk(tree(path)) for name in imported(node) if top(name) in bare]
    assert found == []


def test_the_second_copy_is_not_loaded_either():
    assert {"live", "calibration", "config", "sounds"}.isdisjoint(sys.modules)


@pytest.mark.parametrize("module", pure_middle())
def test_time_is_data_in_the_middle(module):
    found = [name for node in ast.walk(tree(ROOT / "live" / f"{module}.py")) for name in imported(node)]
    assert {"time", "datetime", "threading", "os", "pathlib", "io"}.isdisjoint(map(top, found))
    opens = [node.lineno for node in ast.walk(tree(ROOT / "live" / f"{module}.py")) if calls(node, "open")]
    assert opens == []


def test_every_module_is_either_pure_or_named_as_an_edge():
    """A new module must be put on one side: here, or in the contract."""
    edges = {
        "__init__", "__main__", "annotate", "assets", "backup", "batch", "bench", "bench_runs", "brush", "bump_watch",
        "calibrate", "calibration_screen", "camera", "cautions", "cli", "clip", "coaching", "devices", "ending",
        "entrants", "exchange", "export", "film", "forget", "history", "interrupts", "known_player", "layout",
        "listing", "loop", "loopback", "mediapipe_hands", "mediapipe_pose", "merge", "migrations", "mocap", "options",
        "other", "outputs", "overlay", "pace", "places", "plausible", "player_rows", "player_targets", "players",
        "pose_model", "practice", "pull", "push", "recorder", "reels", "removal", "rep_files", "report",
        "report_charts", "report_content", "report_values", "restore", "review", "review_screen", "roster", "scenes",
        "schema", "scorer", "screen", "server", "session_records", "session_rows", "sessions", "settings", "show",
        "side_file", "sightings", "signs", "speaker", "sqlite_file", "store", "tables", "traces", "watchdog",
    }  # fmt: skip
    modules = {path.stem for path in (ROOT / "live").glob("*.py")}
    assert modules - edges == set(pure_middle()), "put a new module into the contract of the pure middle, or above"
    assert edges <= modules


def calls(node: ast.AST, *names: str) -> bool:
    if not isinstance(node, ast.Call):
        return False
    called = node.func
    return (called.id if isinstance(called, ast.Name) else getattr(called, "attr", "")) in names


def run_at_import(body: list[ast.stmt]) -> Iterator[ast.AST]:
    """Every expression that importing the module evaluates: not the bodies of functions, those of classes."""
    for statement in body:
        if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef):
            for part in (*statement.decorator_list, *statement.args.defaults):
                yield from ast.walk(part)
        elif isinstance(statement, ast.ClassDef):
            yield from run_at_import(statement.body)
        else:
            yield from (node for node in ast.walk(statement) if not isinstance(node, ast.Lambda))


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_no_file_is_opened_at_import(path):
    readers = (
        "open",
        "read_text",
        "read_bytes",
        "config_text",
        "tone_wav",
        "load_settings",
        "connect",
        "create_engine",
    )
    found = [node.lineno for node in run_at_import(tree(path).body) if calls(node, *readers)]
    assert found == []


@pytest.mark.parametrize("package", PACKAGES)
def test_the_folders_are_flat(package):
    """setuptools is given a list of packages: a sub-package works in the checkout and is missing from the wheel."""
    assert [path for path in (ROOT / package).rglob("*.py") if path.parent != ROOT / package] == []


def test_the_loop_stays_thin():
    (run,) = [
        node
        for node in tree(ROOT / "live" / "loop.py").body
        if isinstance(node, ast.FunctionDef) and node.name == "run"
    ]
    assert run.end_lineno is not None
    assert run.end_lineno - run.lineno < 40


@pytest.mark.parametrize(
    ("module", "absent"),
    [
        ("rimward.live.pipeline", {"pygame", "mediapipe", "pyttsx3", "sqlalchemy", "rimward.live.camera"}),
        ("rimward.live.loop", {"pygame", "mediapipe", "pyttsx3", "sqlalchemy", "rimward.live.camera"}),
        ("rimward.live.mediapipe_pose", {"mediapipe", "pygame"}),
        ("rimward.live.screen", {"pygame", "mediapipe", "pyttsx3"}),
        ("rimward.live.speaker", {"pygame", "mediapipe", "pyttsx3"}),
        ("rimward.live.listing", {"sqlalchemy", "numpy", "pydantic", "rich"}),
        ("rimward.live.store", {"alembic", "psycopg", "ezc3d", "rich", "pygame", "mediapipe"}),
        ("rimward.live.cli", {"cv2", "numpy", "pygame", "mediapipe", "pydantic", "sqlalchemy"}),
        ("rimward.calibration.geometry", {"rimward.live", "pygame", "mediapipe"}),
    ],
)
def test_nobody_pays_for_a_device_by_importing_the_middle(module, absent, tmp_path):
    asked = f"import sys, {module}; print(*sys.modules)"
    loaded = subprocess.run(
        [sys.executable, "-c", asked], cwd=tmp_path, check=True, capture_output=True, text=True
    ).stdout.split()
    assert absent.isdisjoint(loaded)
    assert module in loaded


# ------------------------------------------------------------------------------- nothing that runs what a file says
RUNS_DATA = {"pickle", "cPickle", "dill", "shelve", "marshal", "joblib", "cloudpickle"}
"""Modules whose files may run anything when they are read (Python's documentation of pickle, shelve and marshal)."""


def called(node: ast.Call) -> str:
    """`a.b.c` of the call `a.b.c(...)`, or the last part where something else stands in front."""
    parts, here = [], node.func
    while isinstance(here, ast.Attribute):
        parts.append(here.attr)
        here = here.value
    if isinstance(here, ast.Name):
        parts.append(here.id)
    return ".".join(reversed(parts))


def dangers(source: ast.Module) -> list[str]:
    """What runs text or files as a program: pickles, eval, exec, a shell, YAML with objects."""
    found = []
    for node in ast.walk(source):
        found += [f"{name} imported" for name in imported(node) if top(name) in RUNS_DATA]
        if not isinstance(node, ast.Call):
            continue
        name, given = called(node), {one.arg: one.value for one in node.keywords}
        first = node.args[0] if node.args else None
        # exec of an empty text runs nothing; why live/cli.py needs it stands there
        nothing = isinstance(first, ast.Constant) and first.value == ""
        if name in ("eval", "builtins.eval") or (name in ("exec", "builtins.exec") and not nothing):
            found.append(f"{name} in line {node.lineno}")
        if name in ("os.system", "os.popen", "subprocess.getoutput", "subprocess.getstatusoutput"):
            found.append(f"{name} in line {node.lineno}")
        if "shell" in given and not (isinstance(given["shell"], ast.Constant) and given["shell"].value is False):
            found.append(f"shell= in line {node.lineno}")
        if "allow_pickle" in given and not (
            isinstance(given["allow_pickle"], ast.Constant) and given["allow_pickle"].value is False
        ):
            found.append(f"allow_pickle= in line {node.lineno}")
        if name in ("yaml.load", "yaml.unsafe_load", "yaml.full_load", "torch.load"):
            found.append(f"{name} in line {node.lineno}")
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_nothing_runs_what_a_file_or_a_text_says(path):
    assert dangers(tree(path)) == []


@pytest.mark.parametrize(
    "line",
    [
        "import pickle",
        "from pickle import loads",
        "eval(text)",
        "exec(text)",
        "import subprocess; subprocess.run(line, shell=True)",
        "import os; os.system(line)",
        "import yaml; yaml.load(text)",
        "import numpy as np; np.load(file, allow_pickle=True)",
    ],
)
def test_such_a_line_would_be_found(line):
    assert dangers(ast.parse(line)) != []
