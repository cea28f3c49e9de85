"""All of a change, or nothing of it."""

import sqlite3


class Transaction:
    """BEGIN IMMEDIATE, then COMMIT, or ROLLBACK on anything that goes wrong."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db

    def __enter__(self) -> None:
        self._db.execute("BEGIN IMMEDIATE")

    def __exit__(self, kind: type[BaseException] | None, *rest: object) -> None:
        if kind is None:
            try:
                self._db.execute("COMMIT")
            finally:
                if self._db.in_transaction:  # the commit itself failed, e.g. on a full disk
                    self._db.execute("ROLLBACK")
        elif self._db.in_transaction:  # SQLite rolls back by itself on some errors
            self._db.execute("ROLLBACK")
