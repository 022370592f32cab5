"""FHIRPath rules compiled to Python: read once, typed against the release, as fast as hand-written tests.

Two doors, both in ``build``; ``model.SpecModel(definitions("R4"))`` is the release they are typed against.

``inline(expression, context, model, node=..., element=..., env=..., prefix=...)``
    Returns Python *source*: one expression, true when the rule is satisfied or empty (FHIR: only ``false``
    breaks an invariant), to be put into generated code. Its globals are ``namespace.NAMESPACE`` and the
    rule's own ``constants`` (name, source), whose names begin with ``prefix``, so that many rules share one
    module. The names it is written over:

    - ``node``: the context element, a dict, or a primitive's bare value (None when it has only extensions);
    - ``element``: for a primitive context, the object beside it (``_birthDate``) or None;
    - ``env``: a ``runtime.Env``, read only when ``uses_env``.

``compile_expression(expression, context, model)``
    The same as a function ``(node, env, element=None) -> bool``.

The context is the type the rule stands on: ``Period``, ``Bundle.entry``, ``string``. A rule on a choice
element (``probability[x]``) is compiled once for each type the element may have.

Evaluation may raise one of ``runtime.UNDECIDABLE`` on a resource whose *structure* is wrong: catch them
around a rule and leave it undecided, since the structure has a finding of its own. Compilation raises
``syntax.FhirPathError`` with the whole expression for anything unknown or unsupported; no rule is left out
silently. ``overrides`` is the table of rules whose published text does not say what it must; both doors apply
it.

Only ``runtime``, ``values``, ``strings``, ``dates`` and ``namespace`` are needed to run compiled source; the
rest is the compiler.
"""
