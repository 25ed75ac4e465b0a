"""A measurement model written as text, such as ``c0 * V / (a * f_acid)``, read without running it.

The text is taken apart by Python's own parser, whose tree is only looked at: what is not a number, a name,
an operator or a function of the table below is refused. Values and derivatives then come from a list of
steps, so that nothing a formula says is ever executed as a program.
"""

from __future__ import annotations

import ast
import difflib
import math
import unicodedata
import warnings
from typing import TYPE_CHECKING, TypeAlias, TypeVar

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from validator.errors import NotEstimable

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import ArrayLike

FloatArray: TypeAlias = NDArray[np.float64]
Value = TypeVar("Value")

MAX_LENGTH = 1000
MAX_DEPTH = 50

_SIGNS = str.maketrans({"×": "*", "·": "*", "⋅": "*", "−": "-", "^": "**"})
_LN10 = math.log(10)


class _Operation(Struct, frozen=True):
    """A function of one or two operands, and its partial derivative with respect to each."""

    function: Callable[..., FloatArray]
    partials: tuple[Callable[..., FloatArray], ...]


_BINARY: dict[type[ast.operator], _Operation] = {
    ast.Add: _Operation(np.add, (lambda a, b: np.ones_like(a), lambda a, b: np.ones_like(b))),
    ast.Sub: _Operation(np.subtract, (lambda a, b: np.ones_like(a), lambda a, b: -np.ones_like(b))),
    ast.Mult: _Operation(np.multiply, (lambda a, b: b, lambda a, b: a)),
    ast.Div: _Operation(np.divide, (lambda a, b: 1 / b, lambda a, b: -a / b / b)),
    ast.Pow: _Operation(np.power, (lambda a, b: b * np.power(a, b - 1), lambda a, b: a**b * np.log(a))),
}
_NEGATION = _Operation(np.negative, (lambda a: -np.ones_like(a),))
_LOGARITHM = _Operation(np.log, (lambda a: 1 / a,))
FUNCTIONS: dict[str, _Operation] = {
    "sqrt": _Operation(np.sqrt, (lambda a: 0.5 / np.sqrt(a),)),
    "exp": _Operation(np.exp, (np.exp,)),
    "log": _LOGARITHM,
    "ln": _LOGARITHM,
    "log10": _Operation(np.log10, (lambda a: 1 / (a * _LN10),)),
    "sin": _Operation(np.sin, (np.cos,)),
    "cos": _Operation(np.cos, (lambda a: -np.sin(a),)),
    "tan": _Operation(np.tan, (lambda a: 1 / np.cos(a) ** 2,)),
    # The corner of abs has no slope; 0/0 says so instead of inventing one.
    "abs": _Operation(np.abs, (lambda a: a / np.abs(a),)),
}
"""Functions of the formula language; ``log`` and ``ln`` are the natural logarithm."""

_Step: TypeAlias = float | str | _Operation
"""A constant, the name of a quantity, or an operation on the values before it (postfix order)."""


class MeasurementModel(Struct, frozen=True, kw_only=True, eq=False):
    """A formula that has been read.

    Attributes:
        formula: the text as given, white space tidied.
        names: the quantities in it, in order of first appearance.
        steps: the formula in postfix order.
    """

    formula: str
    names: tuple[str, ...]
    steps: tuple[_Step, ...]

    def __call__(self, values: Mapping[str, ArrayLike]) -> FloatArray:
        """Value of the formula for arrays that fit together, one for each name.

        Where the formula gives no finite number the result is not a number or infinite; no warning is raised.

        Raises:
            ValueError: a quantity is missing, or one is given that the formula does not have.
        """
        given = self._given(values)
        with np.errstate(all="ignore"):
            return self._run(
                load=lambda name: given[name],
                constant=lambda number: np.asarray(number),
                apply=lambda operation, operands: np.asarray(operation.function(*operands)),
            )

    def value_and_gradient(self, values: Mapping[str, float]) -> tuple[float, FloatArray]:
        """Value and partial derivatives, (names,), exact but for rounding (forward differentiation).

        Raises:
            NotEstimable: the formula or a derivative is no finite number there.
            ValueError: a quantity is missing, or one is given that the formula does not have.
        """
        given = self._given(values)
        unit = dict(zip(self.names, np.eye(len(self.names)), strict=True))
        still = np.zeros(len(self.names))
        with np.errstate(all="ignore"):
            value, gradient = self._run(
                load=lambda name: (given[name], unit[name]),
                constant=lambda number: (np.asarray(number), still),
                apply=_differentiated,
            )
        if not np.isfinite(value):
            raise NotEstimable(
                (f"the formula {self.formula} has no finite value at the estimates of the input quantities"),
                "estimates at which the formula can be evaluated",
            )
        if not np.isfinite(gradient).all():
            name = self.names[int(np.argmin(np.isfinite(gradient)))]
            raise NotEstimable(
                (
                    f"the formula {self.formula} has no finite derivative with respect to {name} at "
                    "the estimates"
                ),
                "Monte Carlo propagation, or estimates away from that point",
            )
        return float(value), gradient

    def _run(
        self,
        *,
        load: Callable[[str], Value],
        constant: Callable[[float], Value],
        apply: Callable[[_Operation, list[Value]], Value],
    ) -> Value:
        stack: list[Value] = []
        for step in self.steps:
            if isinstance(step, str):
                stack.append(load(step))
            elif isinstance(step, _Operation):
                arity = len(step.partials)
                operands = stack[-arity:]
                del stack[-arity:]
                stack.append(apply(step, operands))
            else:
                stack.append(constant(step))
        return stack[0]

    def _given(self, values: Mapping[str, ArrayLike]) -> dict[str, FloatArray]:
        given = {normal_form(name): np.asarray(value, dtype=np.float64) for name, value in values.items()}
        for name in self.names:
            if name not in given:
                message = f"the formula {self.formula} needs a value for {name}"
                raise ValueError(message)
        for name in given:
            if name not in self.names:
                close = difflib.get_close_matches(name, self.names, n=1)
                hint = f"; did you mean {close[0]}?" if close else f"; it has {', '.join(self.names)}"
                message = f"{name} is not in the formula {self.formula}{hint}"
                raise ValueError(message)
        return given


def measurement_model(formula: str) -> MeasurementModel:
    """Read a formula: numbers, names, ``+ - * /``, ``^`` or ``**``, parentheses and :data:`FUNCTIONS`.

    Names are letters, digits and ``_``, in any script, as Python takes them (``ρ_a``, ``f_acid``).

    Raises:
        ValueError: it is too long or too deep, cannot be read, holds something else, or has no quantity.
    """
    text = " ".join(formula.split())
    tree = _parsed(text)
    steps: list[_Step] = []
    _append_steps(tree, text, steps, depth=0)
    names = tuple(dict.fromkeys(step for step in steps if isinstance(step, str)))
    if not names:
        message = f"the formula {text} has no quantity in it"
        raise ValueError(message)
    return MeasurementModel(formula=text, names=names, steps=tuple(steps))


def _parsed(text: str) -> ast.expr:
    if len(text) > MAX_LENGTH:
        message = f"the formula has {len(text)} characters; at most {MAX_LENGTH} are read"
        raise ValueError(message)
    if "=" in text:
        message = f"write only the right-hand side of the formula: {text}"
        raise ValueError(message)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # "1or 2" is read with a warning, but it is a slip
            return ast.parse(text.translate(_SIGNS), mode="eval").body
    except SyntaxError as error:
        place = f" near character {error.offset}" if error.offset else ""
        message = f"the formula {text} cannot be read{place}"
        raise ValueError(message) from error
    except (RecursionError, MemoryError, ValueError, Warning) as error:
        message = "the formula cannot be read: too many levels of parentheses or signs, or a stray character"
        raise ValueError(message) from error


def _append_steps(node: ast.expr, text: str, steps: list[_Step], depth: int) -> None:
    """Append the steps of *node* in postfix order; what is not on the list is refused."""
    if depth > MAX_DEPTH:
        message = f"the formula is nested more than {MAX_DEPTH} levels deep"
        raise ValueError(message)
    match node:
        case ast.Constant(value=int() | float() as number) if not isinstance(number, bool):
            steps.append(_finite(number))
        case ast.Name(id=name) if name not in FUNCTIONS:
            steps.append(name)
        case ast.BinOp(left=left, op=operator, right=right) if type(operator) in _BINARY:
            _append_steps(left, text, steps, depth + 1)
            _append_steps(right, text, steps, depth + 1)
            steps.append(_BINARY[type(operator)])
        case ast.UnaryOp(op=ast.UAdd(), operand=operand):
            _append_steps(operand, text, steps, depth + 1)
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            _append_steps(operand, text, steps, depth + 1)
            steps.append(_NEGATION)
        case ast.Call(func=ast.Name(id=name), args=[argument], keywords=[]) if name in FUNCTIONS:
            _append_steps(argument, text, steps, depth + 1)
            steps.append(FUNCTIONS[name])
        case _:
            raise ValueError(_refusal(node, text))


def _refusal(node: ast.expr, text: str) -> str:
    if isinstance(node, ast.Tuple) or (isinstance(node, ast.Call) and len(node.args) > 1):
        return f"the formula {text} holds a comma: write decimal points, and one argument for a function"
    if isinstance(node, ast.Name):
        return f"{node.id} is a function; give it an argument in parentheses, or the quantity another name"
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
        known = ", ".join(FUNCTIONS)
        return f"the formula {text} calls {node.func.id}; the functions are {known}, each with one argument"
    return (
        f"the formula {text} holds something other than numbers, names, + - * / ^, parentheses and "
        f"the functions {', '.join(FUNCTIONS)}"
    )


def _finite(number: float) -> float:
    try:
        value = float(number)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        message = "the formula holds a number that is too large"
        raise ValueError(message)
    return value


def _differentiated(
    operation: _Operation, operands: list[tuple[FloatArray, FloatArray]]
) -> tuple[FloatArray, FloatArray]:
    """Chain rule; the partial of an operand that no quantity moves is not needed and may not exist."""
    values = [value for value, _ in operands]
    gradient = np.zeros_like(operands[0][1])
    for partial, (_, inner) in zip(operation.partials, operands, strict=True):
        if inner.any():
            gradient = gradient + np.where(inner == 0, 0.0, partial(*values) * inner)
    return np.asarray(operation.function(*values)), gradient


def normal_form(name: str) -> str:
    """Python reads names in the normal form NFKC; µ (micro) and μ (mu) are one."""
    return unicodedata.normalize("NFKC", name)
