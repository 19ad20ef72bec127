"""What a resident writes about a case: Markdown under named headings, read into blocks that a page can set.

Words only: pictures, HTML and links to files are shown as they are written, never followed. What is written is checked whole: text that
stands under no known heading would be lost, so it is refused.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from markdown_it import MarkdownIt
from markdown_it.tree import SyntaxTreeNode

from audit.errors import ReportError

__all__ = ["CASE_SECTIONS", "COVER_SECTIONS", "Block", "Written", "read_written", "template"]

Block = Mapping[str, Any]
# heading -> what to write there, for the template
CASE_SECTIONS: Mapping[str, str] = MappingProxyType(
    {
        "Why this case": "What it shows that others do not; what you wanted to learn.",
        "History": "Medical and dental history as far as it bore on the tooth; the complaint. No names, dates or places.",
        "Diagnosis": "Of the tooth, the periodontium and the occlusion, with what it rests on.",
        "Alternatives": "What else could have been done, and why it was not.",
        "Occlusal scheme": "Guidance, contacts and their kind in intercuspation and excursions; how they were checked.",
        "Complications": "What went wrong, when, and what was done. Write 'none' where nothing did.",
        "Self-criticism": "What you would do otherwise, by your own photographs and measurements.",
        "References": "One a line, as a list, with DOI.",
    }
)
COVER_SECTIONS: Mapping[str, str] = MappingProxyType(
    {
        "Title": "One line. Left empty: Case portfolio.",
        "Resident": "One line.",
        "Programme": "One line.",
        "Supervisor": "One line.",
        "Foreword": "As long as you like; may stay empty.",
    }
)
_COMMENT = re.compile(r"<!--.*?-->", re.DOTALL)


@dataclass(frozen=True)
class Written:
    """Blocks by heading, and each as plain words; empty where nothing is written yet."""

    blocks: Mapping[str, tuple[Block, ...]]
    words: Mapping[str, str]

    @property
    def missing(self) -> tuple[str, ...]:
        """Headings under which nothing is written."""
        return tuple(name for name, blocks in self.blocks.items() if not blocks)


def template(title: str, sections: Mapping[str, str]) -> str:
    """A file to be filled in: every heading, with what belongs there as a comment that is never printed."""
    return f"# {title}\n\n" + "\n".join(f"## {name}\n\n<!-- {hint} -->\n" for name, hint in sections.items())


def read_written(text: str, file: str, sections: Mapping[str, str]) -> Written:
    """What stands under each heading.

    Parameters
    ----------
    text : str
        Markdown (CommonMark) with one level-2 heading for each section; a level-1 heading above is for the writer alone.
    file : str
        Name for errors.
    sections : mapping of str to str
        The headings.

    Raises
    ------
    ReportError
        Text under no heading, a heading that is none of the sections, or one twice.
    """
    nodes: dict[str, list[SyntaxTreeNode]] = {}
    name = ""
    names = {one.lower(): one for one in sections}
    for node in SyntaxTreeNode(_markdown().parse(_COMMENT.sub("", text))).children:
        if node.type == "heading" and node.tag == "h2":
            said = _plain(node).strip()
            name = names.get(said.lower(), "")
            if not name or name in nodes:
                raise ReportError(f"{file}: heading must be one of {', '.join(sections)}, each once; got {said!r}.",
                                  "Use ### for headings of your own within a section.")  # fmt: skip
            nodes[name] = []
        elif name:
            nodes[name].append(node)
        elif not (node.type == "heading" and node.tag == "h1"):
            raise ReportError(f"{file}: text must stand under a heading; got {_plain(node).strip()[:40]!r}.",
                              f"Put it under ## {next(iter(sections))} or another one.")  # fmt: skip
    found = {one: nodes.get(one, []) for one in sections}
    blocks = {one: tuple(block for node in kids for block in _blocks(node)) for one, kids in found.items()}
    return Written(blocks, {one: "\n".join(_plain(node).strip() for node in kids) for one, kids in found.items()})


def _markdown() -> MarkdownIt:
    return MarkdownIt("commonmark", {"html": False}).disable(["html_block", "html_inline", "image", "entity", "reference"])


def _blocks(node: SyntaxTreeNode) -> list[Block]:
    if node.type in ("paragraph", "heading"):
        return [{"kind": "heading" if node.type == "heading" else "paragraph", "runs": _runs(node.children[0], "")}]
    if node.type in ("bullet_list", "ordered_list"):
        items = [[block for kid in item.children for block in _blocks(kid)] for item in node.children]
        return [{"kind": node.type, "items": items}]
    if node.type == "blockquote":
        return [{"kind": "quote", "body": [block for kid in node.children for block in _blocks(kid)]}]
    if node.type in ("fence", "code_block"):
        return [{"kind": "paragraph", "runs": [[line, "code"] for line in node.content.splitlines(keepends=True)]}]
    return []  # a rule between two paragraphs says nothing


def _runs(node: SyntaxTreeNode, style: str) -> list[list[str]]:
    """Pieces of text with their style: ``strong``, ``em``, ``code``, or none."""
    if node.type in ("text", "code_inline", "softbreak", "hardbreak"):
        words = {"softbreak": " ", "hardbreak": "\n"}.get(node.type, node.content if node.type in ("text", "code_inline") else "")
        return [[words, "code" if node.type == "code_inline" else style]]
    inner = node.type if node.type in ("strong", "em") else style
    runs = [run for kid in node.children for run in _runs(kid, inner)]
    address = str(node.attrs.get("href", "")) if node.type == "link" else ""
    return [*runs, [f" ({address})", style]] if address and address not in "".join(run[0] for run in runs) else runs


def _plain(node: SyntaxTreeNode) -> str:
    if node.type in ("fence", "code_block"):
        return node.content
    if node.type == "inline":
        return "".join(run[0] for run in _runs(node, ""))
    return "\n".join(_plain(kid) for kid in node.children)
