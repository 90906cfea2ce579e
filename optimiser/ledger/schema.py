"""The ledger's file: its tables, the triggers that guard them, and how it is opened.

A file says of itself that it is a ledger (``application_id``) and of which version
(``user_version``). Migrations are numbered and run in order, each with its number in one
transaction; a file of a newer version is refused. Every call opens a connection of its own
and closes it, so a ledger may be used from any thread.
"""

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, TypeVar

from optimiser.errors import ConflictError, LedgerError

Result = TypeVar("Result")
APPLICATION_ID = 0x4C454447  # "LEDG"
GENESIS = "0" * 64
COLUMNS = ("id", "at", "kind", "family", "proposal", "by_whom", "reason", "body", "previous")
PAUSE_S = 0.01
# What SQL's trim takes off, so that a name of blanks of any kind is blank.
_BLANKS = "char(9, 10, 11, 12, 13, 32, 160)"

_FIRST = f"""
create table entry (
  id integer primary key,
  at text not null,
  kind text not null,
  family text,
  proposal integer references entry (id),
  by_whom text not null,
  reason text not null,
  body text not null,
  previous text not null,
  hash text not null
);
create index entry_family on entry (family, id);
create index entry_kind on entry (kind, id);

create table head (
  one integer primary key check (one = 1),
  id integer not null,
  hash text not null
);
insert into head values (1, 0, '{GENESIS}');

-- A trigger before the insert also stops INSERT OR REPLACE: an id that is taken is not the next.
create trigger entry_is_next before insert on entry
when new.id is not (select coalesce(max(id), 0) + 1 from entry)
begin select raise(abort, 'ledger: an entry takes the next number'); end;

create trigger entry_is_chained before insert on entry
when new.previous is not coalesce(
    (select hash from entry order by id desc limit 1), '{GENESIS}')
  or length(new.hash) <> 64 or new.hash glob '*[^0-9a-f]*'
begin select raise(abort, 'ledger: an entry carries the hash of the one before'); end;

create trigger entry_kind_is_known before insert on entry
when new.kind not in ('proposal', 'accept', 'hold', 'reject', 'withdraw', 'export', 'rollback', 'watch')
begin select raise(abort, 'ledger: unknown kind of entry'); end;

create trigger entry_is_signed before insert on entry
when trim(new.by_whom, {_BLANKS}) = ''
  or (new.kind not in ('proposal', 'watch') and trim(new.reason, {_BLANKS}) = '')
begin select raise(abort, 'ledger: a name and a reason are needed'); end;

create trigger entry_decides_a_proposal before insert on entry
when (new.kind in ('accept', 'hold', 'reject', 'withdraw') or new.proposal is not null)
  and not exists (
    select 1 from entry as p
    where p.id = new.proposal and p.kind = 'proposal' and p.family is new.family)
begin select raise(abort, 'ledger: a decision speaks of a proposal of its family'); end;

create trigger proposal_has_a_family before insert on entry
when new.kind = 'proposal' and (new.family is null or new.proposal is not null)
begin select raise(abort, 'ledger: a proposal is of one family'); end;

create trigger entry_stays before update on entry
begin select raise(abort, 'ledger: entries are never changed'); end;

create trigger entry_is_kept before delete on entry
begin select raise(abort, 'ledger: entries are never deleted'); end;

create trigger head_follows after insert on entry
begin update head set id = new.id, hash = new.hash where one = 1; end;

create trigger head_is_the_last before update on head
when new.one is not 1
  or new.id is not (select max(id) from entry)
  or new.hash is not (select hash from entry order by id desc limit 1)
begin select raise(abort, 'ledger: the head is the last entry'); end;

create trigger head_is_alone before insert on head
begin select raise(abort, 'ledger: there is one head'); end;

create trigger head_is_kept before delete on head
begin select raise(abort, 'ledger: the head is never deleted'); end;
"""

_KEEP = """
drop trigger entry_kind_is_known;
create trigger entry_kind_is_known before insert on entry
when new.kind not in ('proposal', 'accept', 'hold', 'reject', 'withdraw', 'export', 'rollback', 'watch',
  'keep')
begin select raise(abort, 'ledger: unknown kind of entry'); end;
"""

MIGRATIONS: tuple[str, ...] = (_FIRST, _KEEP)
"""SQL scripts; the n-th takes a file from version n - 1 to n. Append, never edit."""


def append(path: Path, work: Callable[[sqlite3.Connection], Result], *, timeout_s: float) -> Result:
    """Run some work in one writing transaction of a ledger, creating the file if need be.

    Parameters
    ----------
    path : Path
    work : callable
        Given the connection inside the transaction; may be called again while another process
        holds the file, so it must not do anything beside.
    timeout_s : float
        How long to wait for another process, seconds.

    Returns
    -------
    object
        What the work returns.

    Raises
    ------
    LedgerError
        If the file cannot be opened, is no ledger, or cannot be written; nothing was saved.
    """
    deadline = time.monotonic() + timeout_s
    while True:
        try:
            with closing(_connect(path, "rwc", timeout_s)) as connection:
                _prepare(connection, path)
                with _transaction(connection):
                    return work(connection)
        except sqlite3.Error as error:
            # Opening and switching to WAL do not always wait for another process by themselves.
            if not _is_busy(error) or time.monotonic() >= deadline:
                raise _explained(path, error, timeout_s, "; nothing was saved") from error
        time.sleep(PAUSE_S)


def read(path: Path, work: Callable[[sqlite3.Connection], Result], *, timeout_s: float) -> Result:
    """Run some work on a ledger that exists, in one transaction that only reads.

    Parameters
    ----------
    path : Path
    work : callable
        Given the connection; only reads.
    timeout_s : float

    Returns
    -------
    object

    Raises
    ------
    LedgerError
        If the file cannot be opened, is no ledger, or is damaged.
    """
    try:
        with closing(_opened(path, timeout_s)) as connection:
            if _version(connection, path) == len(MIGRATIONS):
                connection.execute("begin")
                return work(connection)
        return append(path, work, timeout_s=timeout_s)  # an older file is migrated first
    except sqlite3.Error as error:
        raise _explained(path, error, timeout_s, "") from error


def guards(connection: sqlite3.Connection) -> dict[str, str]:
    """Return the definition of everything in a file, by name."""
    rows = connection.execute("select name, sql from sqlite_master where sql is not null")
    return {str(name): str(sql) for name, sql in rows}


def guards_as_made() -> dict[str, str]:
    """Return what ``guards`` is of a ledger that nobody tampered with."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        for script in MIGRATIONS:
            connection.executescript(script)
        return guards(connection)


def _opened(path: Path, timeout_s: float) -> sqlite3.Connection:
    """Return a reading connection; in a folder that cannot be written too."""
    connection = _connect(path, "ro", timeout_s)
    try:
        connection.execute("pragma user_version").fetchone()
    except sqlite3.OperationalError as error:
        connection.close()
        # A WAL file wants a companion beside it. Where none can be made and none lies there,
        # nobody can be writing, so the file may be read as it is.
        unwritable = _code(error) in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
        if not (unwritable and path.is_file()) or path.with_name(f"{path.name}-wal").exists():
            raise
        connection = _connect(path, "ro&immutable=1", timeout_s)
    return connection


def _connect(path: Path, mode: str, timeout_s: float) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=timeout_s, isolation_level=None
    )
    # A tampered text must not stop verify from reading it.
    connection.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
    return connection


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Bring a file to this version; a file that is no ledger is left untouched."""
    version = _version(connection, path)
    if _one(connection, "pragma journal_mode") != "wal":
        connection.execute("pragma journal_mode = wal").fetchone()
    connection.execute("pragma synchronous = full")
    connection.execute("pragma foreign_keys = on")
    connection.execute("pragma recursive_triggers = on")
    if version < len(MIGRATIONS):
        _migrate(connection, path)


def _migrate(connection: sqlite3.Connection, path: Path) -> None:
    with _transaction(connection):
        # Another process may have done it meanwhile.
        for number in range(_version(connection, path), len(MIGRATIONS)):
            for statement in _statements(MIGRATIONS[number]):
                connection.execute(statement)
            connection.execute(f"pragma user_version = {number + 1}")
        connection.execute(f"pragma application_id = {APPLICATION_ID}")


def _version(connection: sqlite3.Connection, path: Path) -> int:
    """Return a file's version; 0 of a new one. Raise if it is no ledger, or a newer one."""
    # One statement, so that all three are of one moment: another process may be making the file.
    marked, version, tables = connection.execute(
        """select (select application_id from pragma_application_id),
             (select user_version from pragma_user_version), count(*) from sqlite_master"""
    ).fetchone()
    if marked == version == tables == 0:
        return 0
    if marked != APPLICATION_ID:
        msg = (
            f"{path}: a database, but no ledger; it was left as it is and nothing was saved. "
            "Move it away, or put the plant's ledger back from a backup"
        )
        raise LedgerError(msg)
    if version > len(MIGRATIONS):
        msg = (
            f"{path}: a ledger of version {version}, this program knows up to {len(MIGRATIONS)}; "
            "it was left as it is and nothing was saved. Use a newer optimiser"
        )
        raise LedgerError(msg)
    return int(version)


def _one(connection: sqlite3.Connection, query: str) -> Any:  # noqa: ANN401 - a cell
    return connection.execute(query).fetchone()[0]


def _statements(script: str) -> Iterator[str]:
    """Yield the statements of a script; ``executescript`` would end the transaction."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement.strip()
            statement = ""


@contextmanager
def _transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All or nothing, alone among writers from the first statement on."""
    connection.execute("begin immediate")
    try:
        yield
        connection.execute("commit")
    except BaseException:
        if connection.in_transaction:
            connection.execute("rollback")
        raise


def _is_busy(error: sqlite3.Error) -> bool:
    return _code(error) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def _code(error: sqlite3.Error) -> int:
    """Return the primary code of an error; the extended ones only say where it arose."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF


def _explained(path: Path, error: sqlite3.Error, timeout_s: float, saved: str) -> LedgerError:
    """Return an error of the file in words."""
    code = _code(error)
    if code == sqlite3.SQLITE_CONSTRAINT:
        return ConflictError(f"{path}: {str(error).removeprefix('ledger: ')}{saved}")
    words = {
        sqlite3.SQLITE_BUSY: (
            f"another program has held the ledger for {timeout_s:g} s",
            "close it or wait, then do the same again",
        ),
        sqlite3.SQLITE_FULL: (
            "no room left to write the ledger",
            "make room on the disk, then do the same again",
        ),
        sqlite3.SQLITE_IOERR: (
            "the disk refused to read or write the ledger",
            "see that the disk has room and is sound, then do the same again",
        ),
        sqlite3.SQLITE_READONLY: (
            "the ledger or its folder cannot be written",
            "ask for write permission to the file and its folder",
        ),
        sqlite3.SQLITE_CANTOPEN: (
            "the ledger cannot be opened here",
            "see that the folder exists and may be read and written",
        ),
        sqlite3.SQLITE_NOTADB: (
            "not a ledger, not even a database; it was left as it is",
            "move it away, or put the plant's ledger back from a backup",
        ),
        sqlite3.SQLITE_CORRUPT: (
            "the ledger's file is damaged",
            "keep the damaged file, put the last backup in its place, then verify-ledger",
        ),
    }
    words[sqlite3.SQLITE_LOCKED] = words[sqlite3.SQLITE_BUSY]
    words[sqlite3.SQLITE_PERM] = words[sqlite3.SQLITE_READONLY]
    rule, way_out = words.get(
        code, ("the ledger cannot be used", "put the last backup in its place")
    )
    return LedgerError(f"{path}: {rule} ({error}){saved}; {way_out}")
