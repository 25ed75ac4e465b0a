"""What ``plan`` prints on a terminal: how each criterion will come out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier.console import aligned
from validator.dossier.inline import plain
from validator.dossier.protocol.parts import Parts, percent, share
from validator.dossier.sections.context import Context
from validator.dossier.wording import wording

if TYPE_CHECKING:
    from validator.planning import Protocol


def chances_table(protocol: Protocol, *, language: str = "en") -> str:
    """Every criterion in a line with the shares met, inconclusive and not met; then all of them together."""
    parts = Parts(protocol, Context(protocol.study, protocol.results, wording(language)))
    say = parts.say
    lines: list[str] = []
    for prediction in protocol.predictions:
        lines.append(parts.analyte(prediction.analyte).name)
        rows = [
            (
                parts.criterion(one),
                parts.at(one, prediction.analyte),
                f"{say.text('planning.expected.meets').lower()} {share(one.meets, one.n)}",
                f"{say.text('planning.expected.open').lower()} {share(one.open + one.unanswered, one.n)}",
                f"{say.text('planning.expected.fails').lower()} {share(one.fails, one.n)}",
            )
            for one in prediction.chances
        ]
        lines.extend(f"  {line}" for line in aligned(rows))
        if prediction.all_met is not None:
            lines.append(
                f"  {say.text('planning.expected.all_met', probability=percent(prediction.all_met))}"
            )
        else:
            lines.append(f"  {plain(say('planning.overview.nothing'))}")
    return "\n".join(lines).replace("\N{SOFT HYPHEN}", "")
