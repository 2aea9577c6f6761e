"""The one arithmetic expression of a shown value: a whitelist over Python's ``ast``.

No ``eval``: the syntax tree is turned into nested functions once, and only numbers, the variable
``v``, the operators of :data:`OPERATORS` and the functions of :data:`FUNCTIONS` are let in. All
arithmetic is done in floating point, so that no power can grow without bound.
"""

from __future__ import annotations

import ast
import math
from collections.abc import Callable

from knobwright.core.errors import InputError, printable

#: A compiled formula: raw value to shown value. Raises ``ArithmeticError`` or ``ValueError``
#: where it has no value.
Formula = Callable[[float], float]

MAX_CHARACTERS = 200


def _log(x: float, base: float = math.e) -> float:
    return math.log(x, base)


def _floor_divide(a: float, b: float) -> float:
    return a // b


OPERATORS: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: lambda a, b: a + b,
    ast.Sub: lambda a, b: a - b,
    ast.Mult: lambda a, b: a * b,
    ast.Div: lambda a, b: a / b,
    ast.FloorDiv: _floor_divide,
    ast.Mod: lambda a, b: a % b,
    ast.Pow: math.pow,
}

FUNCTIONS: dict[str, tuple[Callable[..., float], int, int]] = {
    "exp": (math.exp, 1, 1),
    "log": (_log, 1, 2),
    "log2": (math.log2, 1, 1),
    "log10": (math.log10, 1, 1),
    "sqrt": (math.sqrt, 1, 1),
    "abs": (abs, 1, 1),
    "min": (min, 2, 8),
    "max": (max, 2, 8),
    "round": (lambda x, n=0.0: round(x, int(n)), 1, 2),
    "floor": (lambda x: float(math.floor(x)), 1, 1),
    "ceil": (lambda x: float(math.ceil(x)), 1, 1),
    "sin": (math.sin, 1, 1),
    "cos": (math.cos, 1, 1),
    "tan": (math.tan, 1, 1),
}

CONSTANTS = {"pi": math.pi, "e": math.e}


def compile_formula(text: str) -> Formula:
    """Return the function of ``v`` that a formula stands for.

    Raises
    ------
    InputError
        The text is too long, no arithmetic, or uses a name or form that is not on the list.

    Examples
    --------
    >>> compile_formula("(v - 64) / 2")(70)
    3.0
    """
    if len(text) > MAX_CHARACTERS:
        raise InputError(f"a formula has at most {MAX_CHARACTERS} characters, not {len(text)}")
    try:
        tree = ast.parse(text.strip(), mode="eval")
    except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
        raise InputError(
            f"{printable(text)!r} is no arithmetic expression",
            hint="use v, numbers, + - * / ** // %, brackets and functions such as exp()",
        ) from error
    return _node(tree.body)


def _node(node: ast.expr) -> Formula:
    if isinstance(node, ast.Constant):
        return _constant(node)
    if isinstance(node, ast.Name):
        return _name(node)
    if isinstance(node, ast.UnaryOp):
        return _unary(node)
    if isinstance(node, ast.BinOp):
        return _binary(node)
    if isinstance(node, ast.Call):
        return _call(node)
    raise InputError(
        f"{printable(ast.unparse(node))!r} can't stand in a formula",
        hint="use v, numbers, + - * / ** // %, brackets and functions such as exp()",
    )


def _constant(node: ast.Constant) -> Formula:
    if isinstance(node.value, bool) or not isinstance(node.value, int | float):
        raise InputError(f"{printable(repr(node.value))} in a formula is no number")
    try:
        number = float(node.value)
    except OverflowError as error:
        raise InputError("a number in the formula is too large") from error
    return lambda v: number


def _name(node: ast.Name) -> Formula:
    if node.id == "v":
        return lambda v: v
    if node.id in CONSTANTS:
        number = CONSTANTS[node.id]
        return lambda v: number
    raise InputError(
        f"the formula knows no {printable(node.id)!r}", hint="the raw value is called v"
    )


def _unary(node: ast.UnaryOp) -> Formula:
    inner = _node(node.operand)
    if isinstance(node.op, ast.USub):
        return lambda v: -inner(v)
    if isinstance(node.op, ast.UAdd):
        return inner
    raise InputError("only + and - can stand before a number in a formula")


def _binary(node: ast.BinOp) -> Formula:
    operate = OPERATORS.get(type(node.op))
    if operate is None:
        raise InputError(f"{printable(ast.unparse(node))!r}: that operator is not on the list")
    left, right = _node(node.left), _node(node.right)
    return lambda v: operate(left(v), right(v))


def _call(node: ast.Call) -> Formula:
    name = node.func.id if isinstance(node.func, ast.Name) else ""
    row = FUNCTIONS.get(name)
    if row is None or node.keywords:
        raise InputError(
            f"{printable(ast.unparse(node.func))!r} is no function of a formula",
            hint=f"known functions: {', '.join(FUNCTIONS)}",
        )
    function, least, most = row
    if not least <= len(node.args) <= most:
        raise InputError(f"{name}() takes {least} to {most} numbers, not {len(node.args)}")
    arguments = [_node(argument) for argument in node.args]
    if len(arguments) == 1:
        (first,) = arguments
        return lambda v: function(first(v))
    return lambda v: function(*(argument(v) for argument in arguments))
