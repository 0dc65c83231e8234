"""SQLite: a REPLACE removes the row that is in its way without asking the trigger against removing. Now it is asked.

PostgreSQL has no such statement, and its primary key refuses a number that is there.
"""

from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Refuse an entry of the log in the place of another one."""
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            "CREATE TRIGGER audit_no_replace BEFORE INSERT ON audit "
            "WHEN EXISTS (SELECT 1 FROM audit WHERE number = NEW.number) "
            "BEGIN SELECT RAISE(ABORT, 'the audit log is only ever added to'); END"
        )
