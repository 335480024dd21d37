"""`ampwitness before-power`: meter checks before an amplifier is switched on."""

from __future__ import annotations

import json
import math
import sys
import textwrap
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.wrapped import as_typed, report_width, wrapped
from ampwitness.errors import DoNotSwitchOnError, UsageError
from ampwitness.frontend.cable import CableRun, measure_run
from ampwitness.guide.before_power import (
    FIRST,
    NOT_TESTED,
    Judgement,
    conclude,
    find_stops,
    judge_all,
    open_because,
)
from ampwitness.guide.meter_questions import parse_answer, questions, word_question
from ampwitness.whole_file import refuse_targets, write_whole


def _from_options(given: tuple[str, ...]) -> dict[str, Any]:
    typed: dict[str, str] = {}
    for piece in given:
        key, equals, text = piece.partition("=")
        if not equals:
            raise UsageError(f"--answer {piece!r}: say KEY=VALUE; --list shows the keys")
        typed[key.strip()] = text
    answers: dict[str, Any] = {}
    while True:
        asks = {ask.key: ask for ask in questions(answers)}
        ready = [key for key in typed if key in asks and key not in answers]
        if not ready:
            break
        for key in ready:
            answers[key] = parse_answer(asks[key], typed[key])
    unknown = [key for key in typed if key not in answers]
    if unknown:
        raise UsageError(f"--answer {unknown[0]}: no such question here; --list shows the keys")
    return answers


def _ask(answers: dict[str, Any]) -> dict[str, Any]:
    said = (
        "Type what the meter shows. `open` where it shows no reading, nothing where you did not measure, b to go back."
    )
    click.echo(wrapped(said))
    asked: list[str] = []
    while True:
        ask = next((ask for ask in questions(answers) if ask.key not in answers), None)
        if ask is None:
            return answers
        text = str(click.prompt(wrapped(word_question(ask)), default="", show_default=False))
        if text.strip().lower() == "b":
            if asked:
                del answers[asked.pop()]
            continue
        try:
            answers[ask.key] = parse_answer(ask, text)
            asked.append(ask.key)
        except UsageError as error:
            click.echo(str(error), err=True)


def _cable(answers: dict[str, Any]) -> CableRun | None:
    area_mm2, length_m, fuse_a = (answers.get(key) for key in ("cable_mm2", "cable_m", "fuse_a"))
    if not area_mm2 or not length_m or not fuse_a:
        return None
    length_m, fuse_a = max(length_m, 0.01), max(fuse_a, 0.001)  # the least that a cable is reckoned for
    return measure_run(area_mm2, length_m, fuse_a, metal="copper", temperature_c=20.0, is_loop=False)


def _text(judgements: tuple[Judgement, ...], width: int) -> str:
    lines = []
    for judgement in judgements:
        body = f"{judgement.what}: {judgement.finding}. {judgement.words} {judgement.advice}".strip()
        lines += textwrap.wrap(body, width, subsequent_indent="    ")
    return "\n".join([*lines, "", *textwrap.wrap(conclude(judgements), width), *textwrap.wrap(NOT_TESTED, width)])


def _plain(answers: dict[str, Any]) -> dict[str, Any]:
    return {key: "open" if value == math.inf else value for key, value in answers.items()}


@click.command("before-power", epilog="Example: ampwitness before-power --answer coil_ohm=4 --answer n_coils=2")
@click.option("--answer", "given", multiple=True, metavar="KEY=VALUE", help="An answer known already. Repeatable.")
@click.option("--list", "wants_list", is_flag=True, help="Only list the questions with their keys.")
@click.option("--no-questions", is_flag=True, help="Ask nothing; judge what --answer gives.")
@click.option("--out", type=NAMED_PATH, help="Write answers and judgements here, as JSON.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def before_power(given: tuple[str, ...], wants_list: bool, no_questions: bool, out: Path | None, as_json: bool) -> None:
    """Guided meter checks with the power off: coils, leads, wiring, polarity, ground, remote, fuses."""
    answers = _from_options(given)
    if wants_list:
        listed = questions(answers or {"n_coils": 2})  # two show how the keys of more coils read
        click.echo(
            json.dumps([asdict(ask) for ask in listed], indent=1)
            if as_json
            else "\n".join(wrapped(f"{ask.key:20} {word_question(ask)}") for ask in listed)
        )
        return
    refuse_targets((out,))  # before fifteen questions are asked in vain
    click.echo(wrapped(FIRST), err=True)
    if not no_questions and not as_json and sys.stdin is not None:
        answers = _ask(answers)
    judgements = judge_all(answers, _cable(answers))
    plain = {
        "kind": "before-power",
        "answers": _plain(answers),
        "judgements": [asdict(judgement) for judgement in judgements],
        "conclusion": conclude(judgements),
        "open_because": open_because(judgements),
        "not_tested": NOT_TESTED,
    }
    if out is not None:
        write_whole(out, json.dumps(plain, indent=1) + "\n")
    if as_json:
        click.echo(json.dumps(plain, indent=1))
    else:
        click.echo(_text(judgements, report_width(100)))
        if out is not None:
            then = as_typed("job", "add", "JOB", "before-power", out)
            click.echo(f"Written: {out}. Next, where there is a job:\n  {then}")
    if stops := find_stops(judgements):
        raise DoNotSwitchOnError(f"no power until this is mended, and before-power repeated: {', '.join(stops)}")
