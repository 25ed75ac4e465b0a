"""Literal text in LaTeX: no sign of it is a command, and pdfLaTeX knows every sign or a stand-in for it.

Letters with accents become accent commands; signs no classic font has stay as they are where the engine reads
Unicode (LuaLaTeX, XeLaTeX) and are printed as their code (``[U+4E2D]``) where it does not.
"""

from __future__ import annotations

import re
import unicodedata

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
