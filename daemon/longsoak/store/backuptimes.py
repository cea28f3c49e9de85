"""What the record says of its own backups."""

from longsoak.store.known import Kept
from longsoak.store.moments import Moments
from longsoak.store.recordfile import RecordFile
from longsoak.store.scans import Scans

# An event about a backup, and its two subjects.
BACKUP, MADE, FAILED = "backup", "made", "failed"


class BackupTimes(RecordFile):
    """When the record in `folder` was last backed up, and why that failed since."""

    def last_made(self) -> int | None:
        """When a backup was made last, UTC ms; None if none ever was."""
        with self._open() as db:
            row = db.execute(
                "SELECT run, utc_ms, boottime_ms FROM event WHERE kind = ? AND subject = ?"
                " ORDER BY id DESC LIMIT 1",
                (BACKUP, MADE),
            ).fetchone()
            return None if row is None else Moments(db, lambda: Scans(db, Kept())).of(*row).utc_ms

    def last_failure(self) -> str | None:
        """Why the last attempt failed; None if it did not."""
        with self._open() as db:
            row = db.execute(
                "SELECT subject, says FROM event WHERE kind = ? ORDER BY id DESC LIMIT 1",
                (BACKUP,),
            ).fetchone()
        return row[1] if row is not None and row[0] == FAILED else None
