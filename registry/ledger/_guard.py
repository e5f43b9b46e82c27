"""One guard: a refusal of the database, in the words of SQLite and of PostgreSQL."""

from dataclasses import dataclass

NAME_LENGTH_MAX = 63  # bytes of a PostgreSQL identifier

INSERT, UPDATE, DELETE, TRUNCATE = "INSERT", "UPDATE", "DELETE", "TRUNCATE"


@dataclass(frozen=True, slots=True)
class Guard:
    """One refusal of the database: when `event` comes to `table` and `condition` holds.

    `exclusion` is what PostgreSQL uses in the trigger's stead; `only` names the one database that needs
    the guard, or is blank.
    """

    table: str
    what: str
    event: str
    condition: str
    refuses: str
    exclusion: str = ""
    only: str = ""

    @property
    def name(self) -> str:
        """The guard's name in the database."""
        return f"guard_{self.table.removeprefix('registry_')}_{self.what}"[:NAME_LENGTH_MAX]

    def sqlite_sql(self) -> str:
        """Return the statement that makes the guard on SQLite."""
        condition = self.condition.format(differs="IS NOT")
        return (
            f'CREATE TRIGGER "{self.name}" BEFORE {self.event} ON "{self.table}" WHEN {condition}'
            f" BEGIN SELECT RAISE(ABORT, '{self.name}: {self.refuses}'); END"
        )

    def postgresql_body(self) -> str:
        """Return the body of the trigger function on PostgreSQL."""
        condition = self.condition.format(differs="IS DISTINCT FROM")
        give_back = {INSERT: "NEW", UPDATE: "NEW", DELETE: "OLD", TRUNCATE: "NULL"}[self.event]
        return (
            f" BEGIN IF {condition} THEN RAISE EXCEPTION USING ERRCODE = '23000',"
            f" MESSAGE = '{self.name}: {self.refuses}'; END IF; RETURN {give_back}; END "
        )

    def postgresql_sql(self) -> list[str]:
        """Return the statements that make the guard on PostgreSQL."""
        if self.exclusion:
            return [f'ALTER TABLE "{self.table}" ADD CONSTRAINT "{self.name}" {self.exclusion}']
        return [
            f'CREATE OR REPLACE FUNCTION "{self.name}"() RETURNS trigger LANGUAGE plpgsql'
            f" AS $guard${self.postgresql_body()}$guard$",
            self.postgresql_trigger(),
        ]

    def postgresql_trigger(self) -> str:
        """Return the statement that has PostgreSQL call the function, written as PostgreSQL writes it."""
        level = "STATEMENT" if self.event == TRUNCATE else "ROW"
        return (
            f"CREATE TRIGGER {self.name} BEFORE {self.event} ON {self.table}"
            f" FOR EACH {level} EXECUTE FUNCTION {self.name}()"
        )

    def drop_sql(self, vendor: str) -> list[str]:
        """Return the statements that take the guard away."""
        if vendor == "sqlite":
            return [f'DROP TRIGGER IF EXISTS "{self.name}"']
        if self.exclusion:
            return [f'ALTER TABLE "{self.table}" DROP CONSTRAINT IF EXISTS "{self.name}"']
        return [f'DROP FUNCTION IF EXISTS "{self.name}"() CASCADE']
