"""How often a random story is told. What such stories look for lies in our own code, not in the
database beneath it: SQLite, the default, has them all, PostgreSQL a quarter."""

from django.db import connection


def times(many: int) -> int:
    return many if connection.vendor == "sqlite" else -(-many // 4)
