"""The compiler's doors: a rule as Python source to put into generated code, or as a function."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, NamedTuple

from fhircare.check.fhirpath.compiler import Compiler, Focus
from fhircare.check.fhirpath.namespace import NAMESPACE
from fhircare.check.fhirpath.overrides import evaluated
from fhircare.check.fhirpath.syntax import FhirPathError, parse
from fhircare.check.fhirpath.terms import One, Term, Unit

if TYPE_CHECKING:
    from collections.abc import Callable

    from fhircare.check.fhirpath.model import Model
    from fhircare.check.fhirpath.runtime import Env

_ABSTRACT = frozenset({"Resource", "DomainResource"})


class Inline(NamedTuple):
    """A rule as source.

    Attributes:
        source: A Python expression, true when the rule is satisfied (true or empty), false when it is broken.
        constants: Names and sources of the constants it needs as globals beside ``NAMESPACE``, in order.
        uses_env: Whether it reads ``env``.
    """

    source: str
    constants: tuple[tuple[str, str], ...]
    uses_env: bool


def _term(
    expression: str, context: str, model: Model, names: tuple[str, str, str], *, extension: bool = False
) -> tuple[Unit, Term]:
    node, element, env = names
    unit = Unit(expression, model, extension)
    root = context.split(".", maxsplit=1)[0]
    compiler = Compiler(unit, env, root if model.is_resource(root) and root not in _ABSTRACT else "")
    beside = element if model.is_primitive(context) else ""
    this = One(node, {context}, definite=True, element=beside)
    return unit, compiler.term(parse(expression), Focus(this, this))


def inline(
    expression: str,
    context: str,
    model: Model,
    *,
    node: str = "n",
    element: str = "e",
    env: str = "env",
    prefix: str = "fp_k",
) -> Inline:
    """Return a rule as Python source; see the package's docstring for the names it is written over.

    Args:
        expression: The published FHIRPath; an override is applied.
        context: Type or path of the element it stands on, such as ``Period`` or ``Bundle.entry``.
        model: The release.
        node: Name of the variable with the context element.
        element: Name of the variable with the object beside a primitive context.
        env: Name of the variable with the ``Env``.
        prefix: How the names of its constants begin.

    Raises:
        FhirPathError: It cannot be compiled.
    """
    unit, term = _term(evaluated(expression, context), context, model, (node, element, env))
    source = term.sat()
    constants = unit.constants.items()
    if prefix != "fp_k":
        source = re.sub(r"\bfp_k(\d+)\b", rf"{prefix}\1", source)
    return Inline(
        source, tuple((name.replace("fp_k", prefix, 1), text) for name, text in constants), unit.uses_env
    )


def compile_expression(
    expression: str, context: str, model: Model
) -> Callable[[Any, Env, dict[str, Any] | None], bool]:
    """Return a rule as a function of the context element, the environment and the object beside a primitive.

    Raises:
        FhirPathError: It cannot be compiled.
    """
    rule = inline(expression, context, model)
    return _function(rule.source, rule.constants, expression)


def compile_values(
    expression: str, context: str, model: Model
) -> Callable[[Any, Env, dict[str, Any] | None], list[Any]]:
    """Return an expression as a function that gives its values (elements without a value left out).

    Raises:
        FhirPathError: It cannot be compiled.
    """
    unit, term = _term(expression, context, model, ("n", "e", "env"))
    return _function(f"list({term.values()})", tuple(unit.constants.items()), expression)


def compile_items(
    expression: str, context: str, model: Model
) -> Callable[[Any, Env, dict[str, Any] | None], list[Any]]:
    """Return an expression as a function that gives the elements themselves.

    An item is the object of a complex element, or for a primitive with extensions a ``runtime.Box`` that
    holds the object beside it; ``%extension`` is ``env.extension``.
    """
    unit, term = _term(expression, context, model, ("n", "e", "env"), extension=True)
    return _function(f"list({term.nodes()})", tuple(unit.constants.items()), expression)


def compile_truth(
    expression: str, context: str, model: Model
) -> Callable[[Any, Env, dict[str, Any] | None], bool]:
    """Return an expression as a function that tells whether it is true: neither false nor empty.

    ``%extension`` is ``env.extension``.
    """
    unit, term = _term(expression, context, model, ("n", "e", "env"), extension=True)
    return _function(term.true(), tuple(unit.constants.items()), expression)


def _function(source: str, constants: tuple[tuple[str, str], ...], expression: str) -> Callable[..., Any]:
    scope = dict(NAMESPACE)
    for name, text in constants:
        scope[name] = eval(text, scope)  # noqa: S307 - source written by this compiler from the standard's rules
    try:
        code = compile(f"lambda n, env, e=None: {source}", f"<fhirpath {expression}>", "eval")
    except SyntaxError as fault:
        raise FhirPathError(
            expression, f"compiled to source that Python cannot read ({fault.msg})"
        ) from fault
    made: Callable[..., Any] = eval(code, scope)  # noqa: S307
    return made
