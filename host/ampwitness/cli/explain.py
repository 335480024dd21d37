"""`ampwitness explain`: what a finding means, in plain words."""

from __future__ import annotations

import json
import textwrap
from dataclasses import asdict

import click

from ampwitness.cli.wrapped import report_width
from ampwitness.errors import UsageError
from ampwitness.findings.explain import GLOSSARY, Explanation, explain
from ampwitness.findings.wording import KIND_WORDS


def _text(found: Explanation, width: int) -> str:
    parts = [
        ("What it means", found.meaning),
        ("How it was measured", found.how),
        ("What it cannot tell", found.cannot),
        ("What to do next", found.next_step),
        ("Take care", found.care),
    ]
    lines = [found.title.capitalize()]
    for heading, body in parts:
        if body:
            lines += ["", heading, *textwrap.wrap(body, width, initial_indent="  ", subsequent_indent="  ")]
    return "\n".join(lines)


@click.command("explain", epilog="Example: ampwitness explain cutout")
@click.argument("name", required=False)
@click.option("--words", "wants_words", is_flag=True, help="A glossary for customers instead.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def explain_command(name: str | None, wants_words: bool, as_json: bool) -> None:
    """Say what a kind of finding means, how it was measured, what it cannot tell and what to do next.

    NAME is a kind as reports name it: clip, note, dip, cutout, ... Without NAME the kinds are listed.
    """
    width = report_width(100)
    if wants_words:
        if as_json:
            click.echo(json.dumps(GLOSSARY, indent=1))
            return
        for word, meaning in GLOSSARY.items():
            click.echo("\n".join(textwrap.wrap(f"{word}: {meaning}", width, subsequent_indent="    ")))
        return
    if name is None:
        listed = {kind: words.question for kind, words in KIND_WORDS.items()}
        click.echo(json.dumps(listed, indent=1) if as_json else "\n".join(f"{k:12} {q}" for k, q in listed.items()))
        return
    found = explain(name)
    if found is None:
        raise UsageError(f"no finding is called {name!r}: say one of {', '.join(KIND_WORDS)}")
    click.echo(json.dumps(asdict(found), indent=1) if as_json else _text(found, width))
