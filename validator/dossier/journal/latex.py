"""The section as LaTeX, for pdfLaTeX as well as LuaLaTeX: a fragment to be included, or a whole article.

Whatever a study says is literal.
"""

from __future__ import annotations

import re
import unicodedata
from typing import TYPE_CHECKING

from validator.dossier import document as model
from validator.dossier.document import number
from validator.dossier.inline import Code, Emphasis, LineBreak, Reference, Strong, Symbol, pieces, plain
from validator.dossier.wording import words_for

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from typing import Any

    from validator.dossier.document import Block, Document, Section
    from validator.dossier.inline import Content, Inline


PACKAGES = ("amsmath", "array", "booktabs", "graphicx", "siunitx")
_SECTIONS = ("section", "subsection", "subsubsection", "paragraph")
_NUMBER = re.compile(r"(−?\d+(?:\.\d+)?)(?: × 10([⁺⁻⁰¹²³⁴⁵⁶⁷⁸⁹]+))?")
_INTERVAL = re.compile(r"\([^()]*\)")
_BETWEEN = r",\quad "
_WIDTH_OF_NAMES, _WIDTH_OF_UNITS, _WIDTH_OF_GAP = 0.26, 0.12, 0.03
_KINDS: dict[type, str] = {model.Table: "table", model.Figure: "figure", model.Formula: "equation"}


def to_latex(
    document: Document, pictures: Mapping[str, str] | None = None, *, standalone: bool = False
) -> str:
    r"""*document* as LaTeX.

    Args:
        document: the section.
        pictures: path of each figure's file by the figure's id, with forward slashes.
        standalone: a whole article with its preamble, not a fragment for ``\input``.
    """
    return _Writer(document, pictures or {}).text(standalone=standalone)


class _Writer:
    def __init__(self, document: Document, pictures: Mapping[str, str]) -> None:
        self.document = document
        self.pictures = pictures
        self.words: dict[str, Any] = words_for(document.language, "frame")
        self.labels = number(document, self.words).labels
        self.kinds = {
            block.id: _KINDS[type(block)]
            for block in document.elements()
            if isinstance(block, model.Table | model.Figure | model.Formula) and block.id
        }

    def text(self, *, standalone: bool) -> str:
        body = [part for section in self.document.sections for part in self._section(section, 0)]
        packages = [rf"\usepackage{{{name}}}" for name in PACKAGES]
        if not standalone:
            return "\n\n".join([f"% needs {' '.join(packages)}", *body]) + "\n"
        authors = r" \and ".join(escaped(author) for author in self.document.authors)
        opening = [
            r"\documentclass{article}",
            *packages,
            rf"\title{{{escaped(self.document.title)}}}",
            rf"\author{{{authors}}}",
            r"\date{}",
            r"\emergencystretch=1em",
            r"\begin{document}",
            r"\maketitle",
        ]
        return "\n\n".join(["\n".join(opening), *body, r"\end{document}"]) + "\n"

    def _section(self, section: Section, depth: int) -> Iterator[str]:
        command = _SECTIONS[min(depth, len(_SECTIONS) - 1)]
        yield rf"\{command}{{{self._inline(section.title)}}}"
        for block in section.blocks:
            if isinstance(block, model.Section):
                yield from self._section(block, depth + 1)
            else:
                yield self._block(block)

    def _block(self, block: Block) -> str:
        match block:
            case model.Paragraph():
                return self._inline(block.content)
            case model.BulletList():
                items = (rf"\item {self._inline(item)}" for item in block.items)
                return "\n".join([r"\begin{itemize}", *items, r"\end{itemize}"])
            case model.Formula():
                label = rf"\label{{{_label(block.id)}}}" if block.id else r"\nonumber"
                return f"\\begin{{equation}}{label}\n{_stacked(block.latex)}\n\\end{{equation}}"
            case model.Table():
                return self._table(block)
            case model.Figure():
                return self._figure(block)
            case _:
                raise TypeError(f"a manuscript holds no {type(block).__name__}")

    # --- floats ----------------------------------------------------------------------------------------

    def _figure(self, figure: model.Figure) -> str:
        path = self.pictures.get(figure.id)
        drawn = [] if path is None else [rf"\includegraphics[width={figure.width_mm:g}mm]{{{path}}}"]
        return "\n".join(
            [r"\begin{figure}[htbp]", r"\centering", *drawn, self._caption(figure), r"\end{figure}"]
        )

    def _caption(self, block: model.Table | model.Figure) -> str:
        return rf"\caption{{{self._inline(block.caption)}}}\label{{{_label(block.id)}}}"

    def _table(self, table: model.Table) -> str:
        head = " & ".join(self._heading(column) for column in table.columns)
        rows = [self._row(table, row) for row in table.rows]
        note = [r"\par\medskip", rf"{{\footnotesize {self._inline(table.note)}\par}}"] if table.note else []
        return "\n".join(
            [
                r"\begin{table}[htbp]",
                r"\centering",
                self._caption(table),
                r"\small",
                rf"\begin{{tabular}}{{{_columns(table)}}}",
                r"\toprule",
                rf"{head} \\",
                r"\midrule",
                *rows,
                r"\bottomrule",
                r"\end{tabular}",
                *note,
                r"\end{table}",
            ]
        )

    def _heading(self, column: model.Column) -> str:
        unit = f" ({escaped(column.unit)})" if column.unit else ""
        return self._inline(column.header) + unit

    def _row(self, table: model.Table, row: model.Row) -> str:
        cells = (
            _with_numbers(plain(cell)) if column.align == "decimal" else self._inline(cell)
            for column, cell in zip(table.columns, row.cells, strict=True)
        )
        return rf"{' & '.join(cells)} \\"

    # --- running text ----------------------------------------------------------------------------------

    def _inline(self, content: Content) -> str:
        return "".join(self._piece(piece) for piece in pieces(content))

    def _piece(self, piece: Inline) -> str:
        match piece:
            case Strong():
                return rf"\textbf{{{escaped(piece.text)}}}"
            case Emphasis():
                return rf"\emph{{{escaped(piece.text)}}}"
            case Code():
                return rf"\texttt{{{escaped(piece.text)}}}"
            case Symbol():
                return _symbol(piece)
            case Reference() if not piece.text and piece.target in self.kinds:
                return self._reference(piece.target)
            case Reference():
                return escaped(piece.text or self.labels[piece.target])
            case LineBreak():
                return r"\newline "
            case _:
                return escaped(plain(piece))

    def _reference(self, target: str) -> str:
        kind = self.kinds[target]
        label = rf"\ref{{{_label(target)}}}"
        return f"{escaped(self.words[kind])}~{f'({label})' if kind == 'equation' else label}"


def _stacked(latex: str) -> str:
    """The parts of a formula one under the other: side by side they would leave the column."""
    parts = latex.split(_BETWEEN)
    if len(parts) == 1:
        return latex
    lines = ",\\\\\n".join(parts)
    return f"\\begin{{gathered}}\n{lines}\n\\end{{gathered}}"


def _symbol(symbol: Symbol) -> str:
    sub = rf"_{{\textrm{{{escaped(symbol.sub)}}}}}" if symbol.sub else ""
    sup = rf"^{{\textrm{{{escaped(symbol.sup)}}}}}" if symbol.sup else ""
    return rf"\ensuremath{{\mathit{{{_letters(symbol.letter)}}}{sub}{sup}}}"


def _letters(text: str) -> str:
    return text if text.isascii() and text.isalnum() else rf"\textrm{{{escaped(text)}}}"


def _label(block_id: str) -> str:
    return f"journal:{block_id}"


def _columns(table: model.Table) -> str:
    """Widths that fill the line: names, units, and the rest shared by the columns of numbers."""
    decimals = sum(column.align == "decimal" for column in table.columns)
    taken = _WIDTH_OF_NAMES + _WIDTH_OF_UNITS + _WIDTH_OF_GAP * len(table.columns)
    widths = [_WIDTH_OF_NAMES, _WIDTH_OF_UNITS]
    widths += [(1 - taken) / decimals] * decimals
    columns = (rf">{{\raggedright\arraybackslash}}p{{{width:.3f}\linewidth}}" for width in widths)
    return f"@{{}}{''.join(columns)}@{{}}"


def _with_numbers(text: str) -> str:
    """A cell of numbers, each of them set by siunitx as it was written; an interval is kept on one line."""
    parts, end = [], 0
    for found in _INTERVAL.finditer(text):
        parts += [_numbers(text[end : found.start()]), rf"\mbox{{{_numbers(found[0])}}}"]
        end = found.end()
    return "".join([*parts, _numbers(text[end:])])


def _numbers(text: str) -> str:
    parts, end = [], 0
    for found in _NUMBER.finditer(text):
        parts += [escaped(text[end : found.start()]), _num(found[1], found[2])]
        end = found.end()
    return "".join([*parts, escaped(text[end:])])


def _num(digits: str, power: str | None) -> str:
    exponent = f"e{superscript(power)}" if power else ""
    return rf"\num{{{digits.replace('−', '-')}{exponent}}}"


_ASCII = {
    "\\": r"\textbackslash{}",
    "{": r"\{",
    "}": r"\}",
    "$": r"\$",
    "&": r"\&",
    "#": r"\#",
    "%": r"\%",
    "_": r"\_",
    "^": r"\textasciicircum{}",
    "~": r"\textasciitilde{}",
    "<": r"\textless{}",
    ">": r"\textgreater{}",
    "|": r"\textbar{}",
    "`": r"\textasciigrave{}",
    '"': r"\symbol{34}",
    "[": "{[}",  # after a line of a table a bracket or a star would be read as an argument
    "]": "{]}",
    "*": "{*}",
}
_SPACES = {
    "\u00a0": "~",
    "\u2009": r"\,",
    "\u202f": r"\,",
    "\u200b": r"\hspace{0pt}",
    "\u00ad": r"\-",
}
_LETTERS = {
    "ß": r"\ss{}", "ø": r"\o{}", "Ø": r"\O{}", "æ": r"\ae{}", "Æ": r"\AE{}", "œ": r"\oe{}", "Œ": r"\OE{}",
    "ł": r"\l{}", "Ł": r"\L{}", "å": r"\aa{}", "Å": r"\AA{}", "\u212b": r"\AA{}", "ı": r"\i{}",
}  # fmt: skip
_SIGNS = {
    "–": "--", "—": "---", "…": r"\ldots{}", "“": "``", "”": "''", "‘": "`", "’": "'", "„": r"\symbol{34}",
    "µ": r"\textmu{}", "μ": r"\textmu{}", "°": r"\textdegree{}", "§": r"\S{}", "¶": r"\P{}",
    "†": r"\textdagger{}", "‡": r"\textdaggerdbl{}",
    "©": r"\textcopyright{}", "®": r"\textregistered{}", "™": r"\texttrademark{}", "€": r"\texteuro{}",
    "£": r"\pounds{}", "‰": r"\textperthousand{}", "½": r"\textonehalf{}", "¼": r"\textonequarter{}",
    "¾": r"\textthreequarters{}",
}  # fmt: skip
_MATHS = {
    "−": "-", "±": r"\pm", "×": r"\times", "÷": r"\div", "·": r"\cdot", "⋅": r"\cdot", "≤": r"\leq",
    "≥": r"\geq", "≈": r"\approx", "≠": r"\neq", "∞": r"\infty", "√": r"\surd", "→": r"\to", "∝": r"\propto",
    "∈": r"\in", "⊂": r"\subset", "∑": r"\Sigma", "′": "'", "″": "''", "Ω": r"\Omega", "∂": r"\partial",
    "ς": r"\varsigma", "ο": "o",
}  # fmt: skip
_GREEK = {  # capitals that look Latin have no command of their own
    "α": r"\alpha", "β": r"\beta", "γ": r"\gamma", "δ": r"\delta", "ε": r"\epsilon", "ζ": r"\zeta",
    "η": r"\eta", "θ": r"\theta", "ι": r"\iota", "κ": r"\kappa", "λ": r"\lambda", "ν": r"\nu", "ξ": r"\xi",
    "π": r"\pi", "ρ": r"\rho", "σ": r"\sigma", "τ": r"\tau", "υ": r"\upsilon", "φ": r"\phi", "χ": r"\chi",
    "ψ": r"\psi", "ω": r"\omega", "Γ": r"\Gamma", "Δ": r"\Delta", "Θ": r"\Theta", "Λ": r"\Lambda",
    "Ξ": r"\Xi", "Π": r"\Pi", "Σ": r"\Sigma", "Υ": r"\Upsilon", "Φ": r"\Phi", "Ψ": r"\Psi",
}  # fmt: skip
_ACCENTS = {
    "\u0300": "`", "\u0301": "'", "\u0302": "^", "\u0303": "~", "\u0304": "=", "\u0306": "u", "\u0307": ".",
    "\u0308": '"', "\u030a": "r", "\u030b": "H", "\u030c": "v", "\u0323": "d", "\u0327": "c", "\u0331": "b",
}  # fmt: skip
_SUPERSCRIPTS, _SUBSCRIPTS = "⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻", "₀₁₂₃₄₅₆₇₈₉₊₋"
_PLAIN = "0123456789+-"
_RUNS = re.compile(
    f"([{_SUPERSCRIPTS}]+)|([{_SUBSCRIPTS}]+)|([A-Za-z])([{''.join(_ACCENTS)}])|([-'<>,])(?=\\5)|(.)",
    re.DOTALL,
)
_UNWRITABLE = re.compile("[\ud800-\udfff\x00-\x08\x0e-\x1f\x7f]")


_KNOWN = (
    _ASCII
    | _SPACES
    | _LETTERS
    | _SIGNS
    | {sign: rf"\ensuremath{{{text}}}" for sign, text in (_MATHS | _GREEK).items()}
)


def escaped(text: str) -> str:
    """*text* on one line, every sign literal."""
    one_line = re.sub(r"[\s\u2028\u2029\x85]", _space, _UNWRITABLE.sub("", text))
    decomposed = "".join(_decomposed(sign) for sign in unicodedata.normalize("NFC", one_line))
    return _RUNS.sub(_written, decomposed)


def superscript(power: str) -> str:
    """The plain digits of ``⁻⁵``."""
    return power.translate(str.maketrans(_SUPERSCRIPTS, _PLAIN))


def _space(found: re.Match[str]) -> str:
    return found[0] if found[0] in _SPACES else " "


def _decomposed(sign: str) -> str:
    """Letter and accent apart, where LaTeX has a command for the accent; else the sign as it is."""
    parts = unicodedata.normalize("NFD", sign)
    known = len(parts) == 2 and parts[0].isascii() and parts[1] in _ACCENTS and sign not in _KNOWN
    return parts if known else sign


def _written(found: re.Match[str]) -> str:
    raised, lowered, letter, accent, doubled, sign = found.groups()
    if raised:
        return rf"\ensuremath{{^{{{superscript(raised)}}}}}"
    if lowered:
        return rf"\ensuremath{{_{{{lowered.translate(str.maketrans(_SUBSCRIPTS, _PLAIN))}}}}}"
    if letter:
        dotless = (
            {"i": r"\i", "j": r"\j"}.get(letter, letter) if accent not in "\u0323\u0327\u0331" else letter
        )
        return rf"\{_ACCENTS[accent]}{{{dotless}}}"
    if doubled:  # two of them would become a dash or a quotation mark
        return rf"{_KNOWN.get(doubled, doubled)}\kern0pt{{}}"
    if sign in _KNOWN:
        return _KNOWN[sign]
    return sign if sign.isascii() else _by_engine(sign)


def _by_engine(sign: str) -> str:
    # \Umathcode is known to the engines that read Unicode; the others skip the sign unread
    return rf"\ifdefined\Umathcode {sign}\else{{[}}U+{ord(sign):04X}{{]}}\fi{{}}"
