"""Saved reps made ready for looking at them: trace from its file, picture from its film, remarks from the database."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from types import TracebackType

from .annotate import key_pictures, save_picture
from .desk import Remark, Said
from .errors import SourceError, StoreError, UsageError
from .figure import Take, take
from .film import Film
from .history import Note
from .records import ImageArray
from .roster import Player
from .store import Store
from .timeline import KEY_PICTURES
from .traces import load_trace, noted_film


@dataclass(frozen=True, slots=True, eq=False)
class Reel:
    """One rep of a saved session."""

    take: Take
    session_id: str
    index: int
    """Of the rep in its session."""
    player: Player
    remark: Remark

    @property
    def stem(self) -> str:
        """How files of this rep begin: the clip's name, or the session's first letters, and the rep."""
        film = self.take.trace.film
        return f"{Path(film).stem if film else self.session_id[:8]}_rep{self.index:02d}"


def reels(store: Store, sessions: Iterable[str]) -> list[Reel]:
    """The reps of these sessions that have a trace, in order. Raises StoreError for an unknown session."""
    everybody = {player.id: player for player in store.players()}
    found = []
    for asked in sessions:
        session = store.session(asked)
        session_id, notes = session.start.id, store.notes(session.start.id)
        film = noted_film(store.folder, session_id)
        for rep in store.reps(session_id):
            trace = load_trace(store.folder, session_id, rep.index)
            if trace is not None:
                trace = replace(trace, film=film or trace.film)
                name = f"{Path(trace.film).stem if trace.film else session.start.source} rep {rep.index}"
                remark = _remark([note for note in notes if note.rep_index == rep.index])
                player = everybody[session.player_id]
                found.append(Reel(take(rep, trace, name, player.name), session_id, rep.index, player, remark))
    return found


class Films:
    """The pictures of reps, from the films that they were read from; opened when they are first asked for."""

    def __init__(self, allowed: Iterable[Reel]) -> None:
        """Only films all of whose reps are `allowed` to be seen give pictures."""
        self._allowed = {reel.take.trace.film for reel in allowed if reel.take.trace.film}
        self._open: dict[str, Film | None] = {}
        self.troubles: list[str] = []
        """Films that cannot be read, one line each; their reps are skeletons."""

    def picture(self, taken: Take, k: int) -> ImageArray | None:
        """The film's frame of sample k; None when there is none to be shown."""
        path = taken.trace.film
        if path not in self._allowed:
            return None
        try:
            if path not in self._open:
                self._open[path] = None
                self._open[path] = Film(Path(path), counted=taken.trace.counted)
            film = self._open[path]
            return None if film is None else film.frame(int(taken.trace.frames[k]), float(taken.t_s[k]))
        except SourceError as error:
            if (film := self._open[path]) is not None:
                film.close()
            self._open[path] = None
            self.troubles.append(str(error))
            return None

    def __enter__(self) -> Films:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for film in self._open.values():
            if film is not None:
                film.close()


def may_be_kept(reel: Reel) -> bool:
    """Whether pictures of this rep may be written to files."""
    return reel.player.pictures_allowed(date.today())


def may_be_shown(reel: Reel) -> bool:
    """Whether the film may be shown to the coach who has it: of everybody but minors."""
    return may_be_kept(reel) or not reel.player.is_minor(date.today())


def save_key_pictures(folder: Path, reel: Reel, films: Films, *, force: bool) -> list[Path]:
    """Set, release and follow-through as PNG files; gives them. Raises UsageError, also for a file that is there."""
    paths = {name: folder / f"{reel.stem}_{name}.png" for name in KEY_PICTURES}
    there = [path for path in paths.values() if path.exists()]
    if there and not force:
        raise UsageError(f"{there[0]} is there already; --force writes over it")
    made = key_pictures(reel.take, films.picture)
    for name, image in made.items():
        save_picture(paths[name], image)
    return [paths[name] for name in made]


class Keeper:
    """Puts what the coach says into the database."""

    def __init__(self, store: Store, shown: Sequence[Reel]) -> None:
        self._store, self._shown = store, shown

    def keep(self, said: Said) -> str:
        """Gives words when it could not be kept, else nothing."""
        reel, wanted = self._shown[said.index], said.remark
        store, session_id, index = self._store, reel.session_id, reel.index
        try:
            notes = store.notes(session_id, index)
            had = _remark(notes)
            if had.good is not wanted.good:
                for note in notes:
                    if note.kind in ("good", "bad"):
                        store.remove_note(note.id)
                if wanted.good is not None:
                    store.add_note(session_id, rep_index=index, kind="good" if wanted.good else "bad")
            if had.note != wanted.note:
                last = _last_words(notes)
                if last is None:
                    store.add_note(session_id, wanted.note, rep_index=index)
                elif wanted.note:
                    store.edit_note(last.id, wanted.note)
                else:
                    store.remove_note(last.id)
        except StoreError as error:
            return f"Not kept: {error}"
        return ""


def _remark(notes: Sequence[Note]) -> Remark:
    """The last mark and the last words on a rep."""
    marks = [note.kind == "good" for note in notes if note.kind in ("good", "bad")]
    words = _last_words(notes)
    return Remark(marks[-1] if marks else None, "" if words is None else words.text)


def _last_words(notes: Sequence[Note]) -> Note | None:
    written = [note for note in notes if note.kind == "note" and note.text]
    return written[-1] if written else None
