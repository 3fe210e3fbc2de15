"""Pictures of the README: three laptops merged, a push to a PostgreSQL server, an export; each from the real commands.

    python tests/terminal_pictures.py HISTORY OUT

HISTORY is a data folder that tests/sample_history.py made. Its invented players are dealt out to three laptops, one of
them to two; what the commands print is drawn as it stands. Needs a PostgreSQL server (apt install postgresql).
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Collection
from contextlib import closing
from pathlib import Path

import matplotlib
import postgres
from PIL import Image, ImageDraw, ImageFont
from sample_history import PLAYERS

from rimward.live import removal
from rimward.live.store import open_store

TWICE = PLAYERS[0].name
"""At two of the laptops."""
COLUMNS = 96
INK, QUIET, GROUND = "#e6edf3", "#8fd3ff", "#0d1219"
SIZE_PX, LINE_PX, EDGE_PX = 15, 19, 14


def dealt(history: Path, laptop: Path, players: Collection[str], part: int = 0, of: int = 1) -> None:
    """A copy with these players only, and of each player's sessions every so-many-eth."""
    shutil.copytree(history, laptop)
    with closing(open_store(laptop)) as store:
        for player in store.players():
            sessions = store.sessions(player.id)
            if not player.name.isascii():  # the font of the picture knows no more
                store.edit_player(player.id, name="Yui Example")
            if player.name not in players:
                store.remove_player(player.id, everywhere=False)
                continue
            for k, session in enumerate(sessions):
                if k % of != part:
                    with store.changing() as connection:
                        removal.remove_session(connection, session.start.id, remember=False)
                    store.remove_files([session.start.id])


class Terminal:
    """Runs commands as a person at one of the laptops does, and keeps what they print."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.lines: list[tuple[str, str]] = []

    def run(self, laptop: str, command: str) -> None:
        self.lines.append((f"{laptop}$ {command}", QUIET))
        program, *words = shlex.split(command)
        rimward = [sys.executable, "-m", "rimward.live"] if program == "rimward" else [program]
        ran = subprocess.run(
            [*rimward, *words],
            cwd=self.folder,
            env=os.environ | {"RIMWARD_DATA_DIR": str(self.folder / laptop), "COLUMNS": str(COLUMNS)},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=True,
        )
        printed = [line for line in ran.stdout.splitlines() if line.strip()]
        self.lines += [(line if len(line) <= COLUMNS else f"{line[: COLUMNS - 1]}…", INK) for line in printed]
        self.lines.append(("", INK))

    def draw(self, path: Path) -> None:
        font = ImageFont.truetype(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSansMono.ttf", SIZE_PX)
        width = 2 * EDGE_PX + int(font.getlength("M" * max(len(line) for line, _ in self.lines)))
        picture = Image.new("RGB", (width, 2 * EDGE_PX + LINE_PX * (len(self.lines) - 1)), GROUND)
        pen = ImageDraw.Draw(picture)
        for k, (line, colour) in enumerate(self.lines):
            pen.text((EDGE_PX, EDGE_PX + k * LINE_PX), line, colour, font)
        picture.quantize(16).save(path, optimize=True)


def main(history: Path, out: Path) -> None:
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        dealt(history, folder / "laptop1", {TWICE}, 0, 2)
        dealt(history, folder / "laptop2", {TWICE}, 1, 2)
        dealt(history, folder / "laptop3", {player.name for player in PLAYERS} - {TWICE})

        merge = Terminal(folder)
        merge.run("laptop1", "rimward sessions")
        merge.run("laptop1", "rimward merge laptop2 laptop3/rimward.db")
        merge.run("laptop1", "rimward merge laptop2 laptop3/rimward.db")
        merge.run("laptop1", "rimward players")
        merge.draw(out / "merge.png")

        export = Terminal(folder)
        export.run("laptop1", "rimward export --player Noor\\ Example --out noor")
        export.run("laptop1", "ls noor")
        export.run("laptop1", "head -n 4 noor/reps.csv")
        export.run("laptop1", "grep knee_min noor/dictionary.csv")
        export.draw(out / "export.png")

        with postgres.running() as club:
            os.environ["RIMWARD_SERVER_PASSWORD"] = postgres.PASSWORD
            push = Terminal(folder)
            for laptop in ("laptop2", "laptop3", "laptop3"):
                push.run(laptop, f"rimward push {club.url()}")
            push.run("coach", f"rimward pull {club.url()}")
            push.run("coach", "rimward sessions --last 6")
            push.draw(out / "push.png")


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
