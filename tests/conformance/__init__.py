"""The check against faults we make ourselves, and against other validators.

``suite`` takes valid resources and makes one fault in each, of a known class and at a known place, and beside
it a valid near miss. ``python -m tests.conformance`` prints how many are found, at which element, and how
often a valid file alarms; ``--oracles N`` compares with HL7's reference validator and an independent third.
"""
