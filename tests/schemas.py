"""JSON Schema, draft 2020-12, by the jsonschema library."""

import sys


def by_schema(schema):
    """What checks against a schema; formats of strings are not checked."""
    # jsonschema builds forty grammars of web addresses as it is loaded: five seconds for formats
    # that nobody asks for. Where the library that holds them is missing, it goes without
    sys.modules.setdefault("rfc3987_syntax", None)
    import jsonschema

    return jsonschema.Draft202012Validator(schema)
