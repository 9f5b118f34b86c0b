"""How the engine does on invented cases: the development cases, and those told by people who saw neither
vocabulary nor table (`tests/cases`).

    python -m tests.accuracy [development | first | … | sixth] …

Without names, all of them, and at the end the told ones together.

The development cases were judged by the hands that wrote the rule table, so their figures prove that the
table says what it was meant to say, not how often it is right in the field.
"""
