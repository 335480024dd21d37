"""What each kind of finding means, inside the page: the text of `ampwitness explain`, one fold a kind.

Kinds that were found stand open and are printed; the others are closed and stay off the paper. A link into a closed
fold opens it, without script.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from html import escape

from ampwitness.findings.explain import GLOSSARY, Explanation, explain

_PARTS = (
    ("What it means", "meaning"),
    ("How it was measured", "how"),
    ("What it cannot tell", "cannot"),
    ("What to do next", "next_step"),
    ("Take care", "care"),
)


def explanation_link(kind: str, words: str = "what this means") -> str:
    """A link to the explanation of a kind."""
    return f'<a href="#means-{escape(kind)}">{escape(words)}</a>'


def html_explanations(kinds: Sequence[str], found: Collection[str]) -> str:
    """The section, for kinds in the order given; those in `found` stand open."""
    folds = [_fold(explained, kind in found) for kind in kinds if (explained := explain(kind)) is not None]
    words = "".join(f"<dt>{escape(word)}</dt><dd>{escape(meaning)}</dd>" for word, meaning in GLOSSARY.items())
    return (
        "<section><h2>What the findings mean</h2>"
        + "".join(folds)
        + f'<details class="off-paper"><summary>Words</summary><dl>{words}</dl></details></section>'
    )


def _fold(explained: Explanation, is_found: bool) -> str:
    parts = "".join(
        f"<dt>{heading}</dt><dd>{escape(text)}</dd>" for heading, key in _PARTS if (text := getattr(explained, key))
    )
    attributes = " open" if is_found else ' class="off-paper"'
    return (
        f"<details{attributes}><summary>{escape(explained.title.capitalize())}</summary>"
        f'<dl id="means-{explained.kind}">{parts}</dl></details>'
    )
