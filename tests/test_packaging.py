"""The wheel holds what the program needs and nothing else, and works outside the checkout."""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from importlib.metadata import entry_points, packages_distributions, version
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
SHIPPED = {
    "live": ("*.py", "py.typed", "demo_clip.mp4", "demo_clip.json", "joints.npz", "report.html"),
    "calibration": ("*.py", "py.typed"),
    "config": ("*.py", "*.toml"),
    "sounds": ("*.py", "*.wav"),
}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> zipfile.ZipFile:
    """Built from a copy: a build folder that lies in the checkout would slip old files into the wheel."""
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    source.mkdir()
    for name in (*SHIPPED, "tests"):
        ignored = shutil.ignore_patterns("__pycache__", ".venv", "*.mp4") if name == "tests" else None
        shutil.copytree(ROOT / name, source / name, ignore=ignored or shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source)
    command = [sys.executable, "-m", "pip", "wheel", "--no-deps", "--no-build-isolation", "-q", "-w", str(folder)]
    built = subprocess.run([*command, str(source)], cwd=folder, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stderr
    (path,) = folder.glob("*.whl")
    with zipfile.ZipFile(path) as archive:
        yield archive


def metadata(wheel: zipfile.ZipFile, name: str) -> str:
    (path,) = [path for path in wheel.namelist() if path.endswith(f".dist-info/{name}")]
    return wheel.read(path).decode()


def test_the_wheel_holds_exactly_the_files_of_the_four_folders(wheel):
    expected = {
        f"rimward/{folder}/{path.name}"
        for folder, patterns in SHIPPED.items()
        for pattern in patterns
        for path in (ROOT / folder).glob(pattern)
    }
    assert "rimward/live/demo_clip.mp4" in expected
    found = {path for path in wheel.namelist() if ".dist-info/" not in path}
    assert found == expected


def test_files_arrive_unchanged(wheel):
    for name in ("live/demo_clip.mp4", "config/default.toml", "sounds/count.wav"):
        assert wheel.read(f"rimward/{name}") == (ROOT / name).read_bytes()


def test_nothing_takes_a_name_of_its_own_at_the_top(wheel):
    """A folder named `tests`, `config` or `live` in site-packages would meet those of other projects."""
    assert {path.split("/")[0] for path in wheel.namelist()} == {"rimward", f"rimward-{PROJECT['version']}.dist-info"}


def test_the_version_stands_in_one_place(wheel):
    assert f"\nVersion: {PROJECT['version']}\n" in metadata(wheel, "METADATA")
    assert version("rimward") == PROJECT["version"], "install again: pip install -e ."
    pattern = re.compile(rf"(?<![\d.]){re.escape(PROJECT['version'])}(?![\d.])")
    code = [path for folder in SHIPPED for path in (ROOT / folder).glob("*.py")]
    assert [path.name for path in code if pattern.search(path.read_text("utf-8"))] == []


def test_the_console_script_leads_to_the_command_line(wheel):
    assert "rimward = rimward.live.cli:main" in metadata(wheel, "entry_points.txt")
    (script,) = entry_points(group="console_scripts", name="rimward")
    assert callable(script.load())


BROUGHT = {"cv2": "mediapipe", "flatbuffers": "mediapipe", "annotated_types": "pydantic", "pydantic_core": "pydantic"}
"""Parts of a package that is declared."""


def plain_name(requirement: str) -> str:
    return re.split(r"[^\w.-]", requirement, maxsplit=1)[0].replace("_", "-").lower()


def third_party(folder: Path) -> set[str]:
    """Top-level names that the modules of a folder import, without the standard library and the folder's own."""
    names: set[str] = set()
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                names |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module is not None:
                names.add(node.module.split(".")[0])
    own = {"rimward", *(path.stem for path in (ROOT / "tests").iterdir())}
    return names - sys.stdlib_module_names - own


@pytest.mark.parametrize("folder", ["live", "calibration", "sounds", "tests"])
def test_what_is_imported_is_declared(folder):
    """A package that another one brings today may be gone tomorrow; what only this machine has is missing elsewhere."""
    requirements = PROJECT["dependencies"] + (PROJECT["optional-dependencies"]["test"] if folder == "tests" else [])
    declared = {plain_name(requirement) for requirement in requirements}
    provided = packages_distributions()
    for name in third_party(ROOT / folder):
        by = {plain_name(distribution) for distribution in provided.get(name, [name])} | {BROUGHT.get(name, "")}
        assert by & declared, f"{folder}/ imports {name}"


def test_two_builds_of_cv2_never_meet(wheel):
    """mediapipe brings opencv-contrib-python; another opencv package would overwrite its files."""
    required = [line.lower() for line in metadata(wheel, "METADATA").splitlines() if line.startswith("Requires-Dist")]
    assert any("mediapipe" in line for line in required)
    assert [line for line in required if "opencv" in line and "extra ==" not in line] == []


def test_the_wheel_works_where_there_is_no_checkout(wheel, tmp_path):
    wheel.extractall(tmp_path / "site")
    script = (
        "import rimward.live.assets as a, rimward.live.settings as s\n"
        "from rimward.live.records import Tone\n"
        "print(a.__file__); s.load_settings(); [a.tone_wav(tone) for tone in Tone]; a.demo_player()\n"
        "a.report_template()\n"
        "with a.demo_clip() as path: assert path.stat().st_size > 1e5\n"
    )
    env = os.environ | {"PYTHONPATH": str(tmp_path / "site")}
    ran = subprocess.run([sys.executable, "-c", script], env=env, cwd=tmp_path, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.startswith(str(tmp_path / "site"))
    command = [sys.executable, "-m", "rimward.live", "--version"]
    said = subprocess.run(command, env=env, cwd=tmp_path, capture_output=True, text=True, check=True).stdout
    assert said == f"rimward {PROJECT['version']}\n"


# ---- the lock


LOCK = ROOT / ".ci" / "requirements.lock"


def locked() -> dict[str, list[str]]:
    """Package -> its lines of checksums."""
    found: dict[str, list[str]] = {}
    name = ""
    for line in LOCK.read_text("utf-8").splitlines():
        if line.startswith("    --hash="):
            found[name].append(line)
        elif line and not line.startswith("#"):
            name = re.split(r"[=\s;]", line, maxsplit=1)[0]
            found.setdefault(name, [])
    return found


def test_every_package_of_the_lock_has_a_version_and_checksums():
    """As pip's --require-hashes wants it (PEP 440 for `==`, SHA-256)."""
    pins = [line for line in LOCK.read_text("utf-8").splitlines() if line and line[0] not in "# "]
    assert all(re.match(r"[a-zA-Z0-9._-]+==[0-9][^ ]*( ;.*)? \\$", line) for line in pins)
    for name, sums in locked().items():
        assert sums, name
        assert all(re.fullmatch(r"    --hash=sha256:[0-9a-f]{64}( \\)?", line) for line in sums), name


def test_the_lock_holds_all_that_the_project_asks_for():
    asked = PROJECT["dependencies"] + PROJECT["optional-dependencies"]["test"]
    names = {re.split(r"[\[<>=;! ]", one, maxsplit=1)[0].lower().replace("_", "-") for one in asked}
    assert names - {name.lower() for name in locked()} == set()


def test_the_lock_names_no_place():
    """Not where it was made, nor from where the files came: that is everybody's own choice."""
    assert re.search(r"https?:|file:|--(extra-)?index-url|--find-links|(^| )/", LOCK.read_text("utf-8")) is None
