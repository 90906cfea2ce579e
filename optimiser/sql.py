"""Names and texts as SQL has them."""


def quoted(name: str) -> str:
    """Return a column name as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def text_literal(text: object) -> str:
    """Return a text as an SQL literal."""
    return "'" + str(text).replace("'", "''") + "'"
