"""``[[databases]]`` of the plant file: tables and queries whose rows become result files."""

import re
from typing import Annotated, Self
from urllib.parse import parse_qsl, urlsplit

from pydantic import BaseModel, ConfigDict, Field, model_validator

SECRET = re.compile(r"\$\{([A-Za-z_][A-Za-z0-9_]*)\}")
_SECRETS = re.compile(r"passw|pwd|secret|token|apikey|api_key", re.IGNORECASE)


class Database(BaseModel):
    """One ``[[databases]]``.

    Attributes
    ----------
    name : str
        Its files are called by it.
    url : str
        As SQLAlchemy has it; ``${NAME}`` stands for what the environment holds under that name. A
        password is never written here.
    query, table : str or None
        One of both; a table as ``schema.table``.
    by : str
        Column that only grows: a number or a time. Rows with a larger one are new.
    into : str
        Folder below the plant's, where the files go.
    chunk : int
        Rows of a file; rows that share a value of ``by`` stay together.
    nightly : bool
        Whether the night fetches it first.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False, hide_input_in_errors=True)

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_]*$")]
    url: str
    query: str | None = None
    table: str | None = None
    by: Annotated[str, Field(min_length=1)]
    into: Annotated[str, Field(min_length=1)] = "history"
    chunk: Annotated[int, Field(ge=1, le=5_000_000)] = 50_000
    nightly: bool = False

    @model_validator(mode="after")
    def _reads_one_thing(self) -> Self:
        if (self.query is None) == (self.table is None):
            msg = f"{self.name}: say either query or table"
            raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _keeps_no_secret(self) -> Self:
        way = 'write "${NAME}" in its place and set NAME in the environment'
        try:
            parts = urlsplit(self.url)
            secrets = [parts.password or ""]
        except ValueError as error:
            msg = f"{self.name}: url cannot be parted into user, password and host; {way}"
            raise ValueError(msg) from error
        secrets += [value for key, value in parse_qsl(parts.query) if _SECRETS.search(key)]
        if any(secret and not SECRET.fullmatch(secret) for secret in secrets):
            msg = f"{self.name}: url holds a password, which does not belong into a file; {way}"
            raise ValueError(msg)
        return self
