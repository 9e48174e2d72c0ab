"""JSON Schema, draft 2020-12, by the jsonschema library."""


def by_schema(schema):
    """What checks against a schema."""
    import jsonschema  # takes a second to load, which only some tests need

    return jsonschema.Draft202012Validator(schema)
