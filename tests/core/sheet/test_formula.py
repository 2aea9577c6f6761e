"""Formulas of shown values: a whitelist, checked against Python's own arithmetic and simpleeval."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from simpleeval import SimpleEval

from knobwright.core.errors import InputError
from knobwright.core.sheet.formula import CONSTANTS, FUNCTIONS, MAX_CHARACTERS, compile_formula

ROWS = [
    ("v", 5, 5.0),
    ("v - 64", 70, 6.0),
    ("(v - 64) / 2", 70, 3.0),
    ("-v ** 2", 3, -9.0),
    ("2 ** -v", 1, 0.5),
    ("v // 3", 8, 2.0),
    ("v % 3", 8, 2.0),
    ("+v", 8, 8.0),
    ("1_000 + 1e3", 0, 2000.0),
    ("round(v / 3, 1)", 10, 3.3),
    ("round(v / 3)", 10, 3.0),
    ("min(v, 5, 9)", 7, 5.0),
    ("max(v, 5)", 7, 7.0),
    ("log(v, 10)", 100, 2.0),
    ("log2(v)", 8, 3.0),
    ("log10(v)", 1000, 3.0),
    ("sqrt(v)", 9, 3.0),
    ("abs(v)", -9, 9.0),
    ("floor(v / 2) + ceil(v / 2)", 5, 5.0),
    ("sin(pi / 2) + cos(0) + tan(0)", 0, 2.0),
    ("log(e)", 0, 1.0),
    # RP-024 (General MIDI 2) reverb time: val = ln(time) / 0.025 + 40, so 40 is 1 s
    ("exp((v - 40) * 0.025)", 40, 1.0),
    # MIDI Tuning: 69 semitones is 440 Hz
    ("440 * 2 ** ((v - 69) / 12)", 69, 440.0),
]


@pytest.mark.parametrize("text, v, value", ROWS)
def test_a_formula_gives_its_value(text: str, v: int, value: float) -> None:
    assert compile_formula(text)(float(v)) == pytest.approx(value, rel=1e-12)


def test_every_function_and_constant_has_a_row() -> None:
    text = " ".join(row[0] for row in ROWS)
    assert not [name for name in (*FUNCTIONS, *CONSTANTS) if name not in text]


BAD_ROWS = [
    ("", "no arithmetic"),
    ("v +", "no arithmetic"),
    ("(" * 190, "no arithmetic"),
    ("v; v", "no arithmetic"),
    ("x + 1", "knows no 'x'"),
    ("v.real", "can't stand"),
    ("v[0]", "can't stand"),
    ("'a'", "is no number"),
    ("True", "is no number"),
    ("1j", "is no number"),
    ("None", "is no number"),
    ("...", "is no number"),
    ("[v]", "can't stand"),
    ("v if v else 1", "can't stand"),
    ("v < 3", "can't stand"),
    ("v and 1", "can't stand"),
    ("lambda: v", "can't stand"),
    ("(v := 3)", "can't stand"),
    ("not v", "only + and -"),
    ("~v", "only + and -"),
    ("v << 3", "not on the list"),
    ("v | 3", "not on the list"),
    ("v @ v", "not on the list"),
    ("open('x')", "is no function"),
    ("__import__('os')", "is no function"),
    ("exp.__call__(v)", "is no function"),
    ("exp(v)(v)", "is no function"),
    ("round(v, n=1)", "is no function"),
    ("exp(v, v)", "takes 1 to 1"),
    ("min(v)", "takes 2 to 8"),
    ("min(*v)", "takes 2 to 8"),
    ("min(v, *v)", "can't stand"),
    ("1" * 201, f"at most {MAX_CHARACTERS}"),
    ("0x" + "F" * 190 + " ** v ** v ** v", f"at most {MAX_CHARACTERS}"),
]


@pytest.mark.parametrize("text, words", BAD_ROWS)
def test_what_is_no_arithmetic_is_refused(text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        compile_formula(text)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        "v ** v ** v ** v ** v",
        "exp(exp(exp(v)))",
        "1 / (v - v)",
        "log(-v)",
        "sqrt(-v)",
        "round(v, 1 / (v - v))",
        "0 ** -v",
    ],
)
def test_no_value_is_an_arithmetic_error_at_once(text: str) -> None:
    with pytest.raises((ArithmeticError, ValueError)):
        compile_formula(text)(127.0)


_NUMBERS = st.integers(0, 300).map(str) | st.floats(0.001, 1000).map(lambda x: f"{x:.3f}")
_LEAVES = _NUMBERS | st.just("v")


def _joined(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    two = st.tuples(inner, st.sampled_from(["+", "-", "*", "/", "//", "%", "**"]), inner)
    one = st.tuples(st.sampled_from(["exp", "log", "sqrt", "abs", "floor", "sin"]), inner)
    most = st.tuples(st.sampled_from(["min", "max"]), inner, inner)
    return st.one_of(
        two.map(lambda t: f"({t[0]} {t[1]} {t[2]})"),
        one.map(lambda t: f"{t[0]}({t[1]})"),
        most.map(lambda t: f"{t[0]}({t[1]}, {t[2]})"),
        inner.map(lambda text: f"-{text}"),
    )


@given(
    st.recursive(_LEAVES, _joined, max_leaves=8).filter(lambda t: len(t) <= 200),
    st.integers(-64, 127),
)
def test_random_formulas_agree_with_simpleeval(text: str, v: int) -> None:
    reference = SimpleEval(
        names={"v": float(v)},
        functions={
            "exp": math.exp, "log": math.log, "sqrt": math.sqrt, "abs": abs,
            "floor": math.floor, "sin": math.sin, "min": min, "max": max,
        },
    )  # fmt: skip
    formula = compile_formula(text)
    try:
        # simpleeval refuses powers above its own limit with an error that is no arithmetic one
        wanted = reference.eval(text)
    except Exception:  # noqa: BLE001
        return
    try:
        found = formula(float(v))
    except (ArithmeticError, ValueError):
        # whole-number powers of the reference never overflow; a complex result has no value here
        assert isinstance(wanted, complex) or abs(wanted) > 1e300 or "**" in text
        return
    if isinstance(wanted, complex):
        pytest.fail(f"{text} has the value {found} here and none as a real number")
    assert found == pytest.approx(float(wanted), rel=1e-9, abs=1e-12)


@given(st.text(max_size=40) | st.text("v+-*/()%.,0123456789 explogmin", max_size=40))
def test_any_text_is_a_formula_or_an_input_error(text: str) -> None:
    try:
        formula = compile_formula(text)
    except InputError:
        return
    try:
        assert isinstance(formula(64.0), float | int)
    except (ArithmeticError, ValueError):
        return
