"""LaTeX by its structure: balanced, only our commands, the study's text without any command of its own."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.dossier.document import Table
from validator.dossier.journal import to_latex
from validator.dossier.journal.latex import escaped


def words(text):
    return text.split()


COMMAND = re.compile(r"\\([A-Za-z]+|.)", re.DOTALL)
TEXT_COMMANDS = {
    *words("textbackslash textasciicircum textasciitilde textless textgreater textbar textasciigrave symbol"),
    *words(
        "kern ensuremath textmu textdegree ldots hspace textcopyright textregistered texttrademark texteuro"
    ),
    *words(
        "pounds textperthousand textonehalf textonequarter textthreequarters S P ifdefined Umathcode else fi"
    ),
    *words("textdagger textdaggerdbl"),
    *words("ss o O ae AE oe OE l L aa AA i j u r H v d c b"),
    *words("pm times div cdot leq geq approx neq infty surd to propto in subset partial varsigma"),
    *words("alpha beta gamma delta epsilon zeta eta theta iota kappa lambda nu xi pi rho sigma tau upsilon"),
    *words("phi chi psi omega Gamma Delta Theta Lambda Xi Pi Sigma Upsilon Phi Psi Omega"),
    *"{}$&#%_,-'`^~\"=.",
}
OUR_COMMANDS = TEXT_COMMANDS | {
    *words(
        "documentclass usepackage title author date emergencystretch begin end maketitle section subsection"
    ),
    *words(
        "label ref caption centering small toprule midrule bottomrule raggedright arraybackslash linewidth"
    ),
    *words("par medskip footnotesize num mbox textbf emph textrm mathit item includegraphics and"),
    *words("frac sqrt bar quad "),
    *"\\%",
}


def is_balanced(text):
    """Braces open and close, those that are escaped left aside."""
    bare = re.sub(r"\\[\\{}%]", "", text)
    depth = 0
    for sign in bare:
        depth += {"{": 1, "}": -1}.get(sign, 0)
        if depth < 0:
            return False
    return depth == 0


def environments(text):
    """Names in the order of opening; an error where one closes that is not open."""
    found, stack = [], []
    for verb, name in re.findall(r"\\(begin|end)\{(\w+)\}", text):
        if verb == "begin":
            found.append(name)
            stack.append(name)
        else:
            assert stack.pop() == name
    assert stack == []
    return found


@pytest.mark.parametrize("name", ["rich", "bare", "hostile"])
@pytest.mark.parametrize("standalone", [False, True])
def test_the_structure_is_whole(request, name, standalone):
    """Braces and environments are balanced; every command is one of ours."""
    text = to_latex(request.getfixturevalue(name).document, standalone=standalone)

    assert is_balanced(text)
    opened = environments(text)
    assert ("document" in opened) == standalone
    assert opened.count("tabular") == opened.count("table") >= 1
    assert set(COMMAND.findall(text)) <= OUR_COMMANDS


def test_a_table_has_its_rules_and_as_many_cells_as_columns(rich):
    """Three rules of booktabs, a separator less than columns in every row, each number for siunitx."""
    text = to_latex(rich.document)
    model = next(block for block in rich.document.elements() if isinstance(block, Table))

    table = text.partition(r"\begin{tabular}")[2].partition(r"\end{tabular}")[0]
    rows = [line for line in table.splitlines() if line.endswith(r" \\")]
    assert [table.count(rule) for rule in (r"\toprule", r"\midrule", r"\bottomrule")] == [1, 1, 1]
    assert len(rows) == len(model.rows) + 1
    assert {len(re.findall(r"(?<!\\)&", row)) for row in rows} == {len(model.columns) - 1}
    slope = next(row for row in rows if row.startswith("Slope"))
    assert re.fullmatch(
        r"Slope \\ensuremath\{\\mathit\{b\}\} & \\textmu\{\}A\\ensuremath\{\\cdot\}L/\\textmu\{\}g"
        r"( & \\num\{0\.\d+\} \\mbox\{\(\\num\{0\.\d+\} to \\num\{0\.\d+\}\)\}){2} \\\\",
        slope,
    )
    for number in re.findall(r"\\num\{([^}]*)\}", text):
        float(number)


def test_references_lead_to_labels(rich):
    """What is referred to by number has a label of that name."""
    text = to_latex(rich.document)

    targets = set(re.findall(r"\\ref\{([^}]*)\}", text))
    assert targets
    assert targets <= set(re.findall(r"\\label\{([^}]*)\}", text))


def test_hostile_text_holds_no_command(hostile):
    r"""``\input`` and its like stand in the text with a printed backslash; no dollar opens a formula."""
    text = to_latex(hostile.document, standalone=True)

    assert r"\input" not in text
    assert r"\textbackslash{}input\{/etc/passwd\} \$x\$ \textless{}img" in text
    assert text.count(r"\textbackslash{}input") >= 6
    assert re.search(r"(?<!\\)\$", text) is None
    assert re.search(r"(?<![\\\n])%(?! needs)", text) is None


@given(st.text())
@settings(max_examples=300, deadline=None)
def test_any_text_is_inert(text):
    """Balanced, on one line, only commands that print a sign, no bare sign with a meaning."""
    written = escaped(text)

    assert is_balanced(written)
    assert "\n" not in written
    assert set(COMMAND.findall(written)) <= TEXT_COMMANDS
    bare = COMMAND.sub("", written)
    in_math = re.sub(r"\\ensuremath\{[_^]\{[-+\d]+\}\}", "", written)
    assert re.search(r"[$&#%]", bare) is None
    assert (
        re.search(r"(?<!\\)[_^~]", in_math.replace("\\^{", "").replace("\\~{", "")) is None or "~" in written
    )
    assert re.search(r"--(?!-?)", written) is None or "–" in text or "—" in text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("100 % & #1_a^b~c", r"100 \% \& \#1\_a\textasciicircum{}b\textasciitilde{}c"),
        ("\\end{document}", r"\textbackslash{}end\{document\}"),
        ("[0] * `x` \"y\" a--b", r"{[}0{]} {*} \textasciigrave{}x\textasciigrave{} "
                                 r"\symbol{34}y\symbol{34} a-\kern0pt{}-b"),
        ("5 µg/L ≤ 10⁻⁵ ± σ₀", r"5 \textmu{}g/L \ensuremath{\leq} 10\ensuremath{^{-5}} \ensuremath{\pm} "
                               r"\ensuremath{\sigma}\ensuremath{_{0}}"),
        ("0.41 to\u202f15\u00a0%", r"0.41 to\,15~\%"),
        ("Å é ï ñ x̄ ȳ ß", r"\AA{} \'{e} " + "\\\"{\\i}" + r" \~{n} \={x} \={y} \ss{}"),
        ("水", r"\ifdefined\Umathcode 水\else{[}U+6C34{]}\fi{}"),
        ("a\nb\x00c\ud800", "a bc"),
        ("–", "--"),
    ],
)  # fmt: skip
def test_signs_are_written_as_both_engines_know_them(text, expected):
    """The signs of chemistry have commands; one that no classic font has is left to engines that read it."""
    assert escaped(text) == expected
