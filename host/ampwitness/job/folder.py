"""A job folder on disk: `job.json`, `recordings/`, `findings/`. Read whole, checked, written whole or not at all.

    job.json     what, version, name, revision, equipment, steps, log; a person can read and edit it
    recordings/  what was recorded for this job
    findings/    what programs concluded, JSON, one file a step and time

A writer reads the file, changes its copy and writes it back only if the file on disk is still the one it read. A file
of a newer version, or one that does not hold together, is refused and left as it is.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from ampwitness.errors import JobError
from ampwitness.job.steps import STEP_OF_KEY, STEPS, State
from ampwitness.plain_json import UnreadableTextError, parse_json, read_text
from ampwitness.whole_file import write_whole

WHAT = "ampwitness job"
VERSION = 1
FILE_NAME = "job.json"
RECORDINGS = "recordings"
FINDINGS = "findings"
MOMENTS = ("as found", "as left")


class Job:
    """One job folder, read. `plain` is what stands in job.json."""

    def __init__(self, folder: Path, plain: dict[str, Any], digest: str) -> None:
        self.folder = folder
        self.plain = plain
        self._digest = digest

    @property
    def name(self) -> str:
        return str(self.plain["name"])

    @property
    def channels(self) -> list[dict[str, Any]]:
        """Every amplifier channel as typed: amplifier, channel, and whatever was said of them."""
        return list(self.plain["equipment"])

    def entries(self, key: str) -> list[dict[str, Any]]:
        """What was done for a step, oldest first."""
        return list(self.plain["steps"].get(key, []))

    def state(self, key: str) -> State:
        """A step is done once it has evidence (for every channel, where it is per channel), or was said to be done;
        skipped where the last word on it was that. Evidence that asks for more work leaves it open."""
        entries = self.entries(key)
        if entries and entries[-1]["state"] == "skipped":
            return "skipped"
        if self.open_because(key) or not any(entry["state"] == "done" for entry in entries):
            return "open"
        return "open" if self.missing_channels(key) else "done"

    def open_because(self, key: str) -> list[str]:
        """What the newest evidence of each channel asks for, in words; empty: nothing."""
        return [
            f"{pair[0]}/{pair[1]}: {entry['open_because']}" if pair[0] else str(entry["open_because"])
            for pair, entry in self._newest(key).items()
            if entry.get("open_because")
        ]

    def _newest(self, key: str) -> dict[tuple[Any, Any], dict[str, Any]]:
        """The newest evidence of each channel. What names no channel counts until each has newer of its own."""
        newest: dict[tuple[Any, Any], dict[str, Any]] = {}
        channels = {(c["amplifier"], c["channel"]) for c in self.channels}
        since: set[tuple[Any, Any]] = set()
        for entry in (entry for entry in self.entries(key) if entry["state"] == "done"):
            pair = (entry.get("amplifier"), entry.get("channel"))
            newest[pair] = entry
            since = since | {pair} if pair[0] else set()
            if channels and channels <= since:
                newest.pop((None, None), None)
        return newest

    def missing_channels(self, key: str) -> list[str]:
        """Channels that a per-channel step has no evidence for, as `amplifier/channel`.

        A file that names no channel is of the only one there is; of several, of none. A note alone may speak of all.
        """
        done = [entry for entry in self.entries(key) if entry["state"] == "done"]
        covered = {(e.get("amplifier"), e.get("channel")) for e in done}
        pairs = [(c["amplifier"], c["channel"]) for c in self.channels]
        is_of_all = any("amplifier" not in e and (len(pairs) < 2 or not e.get("file")) for e in done)
        if not STEP_OF_KEY[key].is_per_channel or is_of_all:
            return []
        return [f"{amplifier}/{channel}" for amplifier, channel in pairs if (amplifier, channel) not in covered]

    def next_channel(self, key: str) -> str:
        """The channel that a per-channel step goes on with, as `amplifier/channel`; "" where none is to be named."""
        unfinished = [f"{p[0]}/{p[1]}" for p, entry in self._newest(key).items() if p[0] and entry.get("open_because")]
        return next(iter([*self.missing_channels(key), *unfinished]), "")

    def next_step(self) -> str | None:
        """Key of the first step that is neither done nor skipped."""
        return next((step.key for step in STEPS if self.state(step.key) == "open"), None)

    # ---- changing ---------------------------------------------------------------------------------------------------

    def set_channel(self, amplifier: str, channel: str, facts: Mapping[str, Any]) -> None:
        """Type in, or correct, what is known of one channel. A fact that is None stays as it was typed before.

        Raises JobError for a name that the job could not be read with again, and for a load that contradicts itself.
        """
        for what, name in (("amplifier", amplifier), ("channel", channel)):
            if not name.strip() or "/" in name:
                raise JobError(f"{name!r} is no name for {what}: give it one or more letters or digits, and no slash.")
        given = {key: value for key, value in facts.items() if value is not None}
        if given.get("load_kind") == "none" and "load_ohm" in given:
            raise JobError(f"{amplifier}/{channel}: a load of {given['load_ohm']:g} ohm and no load: type one of them.")
        pair = (amplifier, channel)
        known = next((c for c in self.plain["equipment"] if (c["amplifier"], c["channel"]) == pair), None)
        if known is None:
            known = {"amplifier": amplifier, "channel": channel}
            self.plain["equipment"].append(known)
        if given.get("load_kind") == "none":
            known.pop("load_ohm", None)
        if "load_ohm" in given and known.get("load_kind") == "none":
            del known["load_kind"]
        known.update(given)

    def add_entry(self, key: str, state: State, **facts: Any) -> dict[str, Any]:
        """Note that something was done, or skipped with a reason. Raises JobError for what contradicts the job."""
        self.check_entry(key, state, **facts)
        entry = {"state": state, "at": _now(), **{k: v for k, v in facts.items() if v is not None}}
        self.plain["steps"].setdefault(key, []).append(entry)
        return entry

    def check_entry(self, key: str, state: State, **facts: Any) -> None:
        """Raise JobError where `add_entry` would."""
        if key not in STEP_OF_KEY:
            raise JobError(f"{key!r} is no step of the work: say one of {', '.join(STEP_OF_KEY)}.")
        if state == "skipped" and not str(facts.get("reason") or "").strip():
            raise JobError(f"A step is skipped with a reason: say why {key} is left out.")
        amplifier, channel = facts.get("amplifier"), facts.get("channel")
        known = {(c["amplifier"], c["channel"]) for c in self.channels}
        if (amplifier is None) != (channel is None):
            raise JobError("Say both --amplifier and --channel, or neither.")
        if amplifier is not None and (amplifier, channel) not in known:
            listed = ", ".join(f"{a}/{c}" for a, c in sorted(known)) or "none yet"
            raise JobError(f"The job has no channel {amplifier}/{channel} (it has {listed}): type it in first.")

    def take_in(self, path: Path, into: str) -> str:
        """Copy a file into the folder under its own name. Returns its path inside the folder.

        Raises JobError where it is missing, or another file of that name is there already.
        """
        if not path.is_file():
            raise JobError(f"{path} is {'a folder' if path.is_dir() else 'not there'}: check the name.")
        name = path.name.encode(errors="surrogateescape").decode(
            errors="replace"
        )  # job.json is UTF-8, names may not be
        target = self.folder / into / name
        inside = f"{into}/{name}"
        if path.resolve() == target.resolve():
            return inside
        if target.exists():
            if _digest_of(target) == _digest_of(path):
                return inside
            raise JobError(f"{target} exists and is another file: rename yours, nothing was overwritten.")
        part = target.with_name(target.name + ".part")
        try:
            target.parent.mkdir(exist_ok=True)
            shutil.copyfile(path, part)
            os.replace(part, target)
        except OSError as error:
            part.unlink(missing_ok=True)
            raise JobError(f"{path} cannot be copied into the job ({error.strerror}): is the disk full?") from error
        return inside

    def missing_files(self) -> list[str]:
        """Files that the job names and that are not there."""
        entries = [entry for key in self.plain["steps"] for entry in self.entries(key)]
        named = [
            str(name) for entry in entries for name in (entry.get("file"), *(entry.get("more_files") or ())) if name
        ]
        return [name for name in dict.fromkeys(named) if not (self.folder / name).is_file()]

    def save(self) -> None:
        """Write job.json whole, unless somebody else changed it since it was read.

        Raises JobError where it was changed meanwhile, OutputError where it cannot be written; nothing is overwritten.
        """
        path = self.folder / FILE_NAME
        if path.exists() != bool(self._digest) or (self._digest and _digest_of(path) != self._digest):
            raise JobError(
                f"{path} was changed by somebody else in the meantime; nothing was overwritten. Look at it "
                "(ampwitness job show), then do this again."
            )
        self.plain["revision"] = int(self.plain["revision"]) + 1
        text = (json.dumps(self.plain, indent=1, ensure_ascii=False) + "\n").encode(errors="replace").decode()
        write_whole(path, text)
        self._digest = hashlib.sha256(text.encode()).hexdigest()


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")


def _digest_of(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()


def new_job(folder: Path, name: str) -> Job:
    """Make a job folder. Raises JobError where one is there already, or it cannot be made."""
    if (folder / FILE_NAME).exists():
        raise JobError(f"{folder} holds a job already: go on with it (ampwitness job show), or name another folder.")
    try:
        for inside in (RECORDINGS, FINDINGS):
            (folder / inside).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise JobError(f"{folder} cannot be made ({error.strerror}): name another place.") from error
    plain: dict[str, Any] = {
        "what": WHAT, "version": VERSION, "name": name, "begun": _now(), "revision": 0, "equipment": [], "steps": {},
    }  # fmt: skip
    job = Job(folder, plain, "")
    job.save()
    return job


def open_job(folder: Path) -> Job:
    """Read a job folder and check it.

    Raises
    ------
    JobError : none there, damaged, of a newer version, contradicting itself, or with a second copy beside it.
    """
    path = folder / FILE_NAME if folder.is_dir() else folder
    if not path.is_file():
        raise JobError(f"{folder} holds no job: make one with `ampwitness job new {folder}`.")
    others = sorted(p.name for p in path.parent.glob("job*.json") if p.name != FILE_NAME)
    if others:
        raise JobError(
            f"{path.parent} holds two versions of the job ({FILE_NAME} and {others[0]}), probably two people's edits: "
            "keep the right one as job.json, move the other away."
        )
    try:
        text = read_text(path)
        plain = parse_json(text)
    except UnreadableTextError as error:
        raise JobError(f"{path} cannot be read ({error}): mend it by hand or take a copy of it back.") from error
    if not isinstance(plain, dict) or plain.get("what") != WHAT:
        raise JobError(f"{path} is no job of this program.")
    version = plain.get("version")
    if not isinstance(version, int) or version > VERSION:
        raise JobError(f"{path} is of version {version}, this program knows {VERSION}: use the newer program.")
    _check(path, plain)
    return Job(path.parent, plain, hashlib.sha256(text.encode()).hexdigest())


def _check(path: Path, plain: dict[str, Any]) -> None:
    """Refuse entries that contradict each other, naming the first."""

    def refuse(why: str) -> JobError:
        return JobError(f"{path}: {why}. Mend it by hand; nothing was changed.")

    equipment, steps = plain.get("equipment"), plain.get("steps")
    if not isinstance(equipment, list) or not isinstance(steps, dict) or not isinstance(plain.get("revision"), int):
        raise refuse("equipment, steps or revision are missing")
    pairs = []
    for entry in equipment:
        if not isinstance(entry, dict) or not entry.get("amplifier") or not entry.get("channel"):
            raise refuse("a piece of equipment lacks its amplifier or channel")
        pairs.append((entry["amplifier"], entry["channel"]))
    twice = [pair for pair in pairs if pairs.count(pair) > 1]
    if twice:
        raise refuse(f"channel {twice[0][0]}/{twice[0][1]} stands there twice")
    for key, entries in steps.items():
        if key not in STEP_OF_KEY:
            raise refuse(f"step {key!r} is unknown")
        if not isinstance(entries, list):
            raise refuse(f"step {key!r} holds no list")
        for entry in entries:
            if not isinstance(entry, dict) or entry.get("state") not in ("done", "skipped"):
                raise refuse(f"step {key!r} has an entry that is neither done nor skipped")
            pair = (entry.get("amplifier"), entry.get("channel"))
            if pair != (None, None) and pair not in pairs:
                raise refuse(f"step {key!r} speaks of {pair[0]}/{pair[1]}, which is not in the equipment")
