"""A report in another language: everything that the bench says in it, nothing that people wrote."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from soakmon.report.content import Content, ReportSection
from soakmon.report.rack import Label, Shape
from soakmon.texts import ENGLISH, say, translated

# What stands there is what people wrote.
_WRITTEN = frozenset(
    {say("content.job"), say("content.customer"), say("content.machine"), say("content.rack")}
)


def in_language(content: Content, language: str) -> Content:
    """The same report, read in a language."""
    if language == ENGLISH:
        return content
    return replace(
        content,
        heading=translated(content.heading, language),
        sentence=translated(content.sentence, language),
        summary=_facts(content.summary, language),
        steps=tuple(translated(step, language) for step in content.steps),
        details=tuple(_section(section, language) for section in content.details),
        language=language,
    )


def _section(section: ReportSection, language: str) -> ReportSection:
    # What is shown word for word is a file.
    return replace(
        section,
        title=translated(section.title, language),
        facts=_facts(section.facts, language),
        lines=tuple(translated(line, language) for line in section.lines),
    )


def _facts(facts: Iterable[tuple[str, str]], language: str) -> tuple[tuple[str, str], ...]:
    return tuple(
        (translated(name, language), text if name in _WRITTEN else translated(text, language))
        for name, text in facts
    )


def drawing_in_language(shapes: Iterable[Shape], language: str) -> list[Shape]:
    """The same drawing, its labels in a language."""
    return [
        replace(shape, text=translated(shape.text, language)) if isinstance(shape, Label) else shape
        for shape in shapes
    ]
