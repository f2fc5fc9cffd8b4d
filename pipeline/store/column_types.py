"""The types of the store's columns: in every kind of database they keep the same values, and sort them alike.

SQLite sorts text by its bytes, and its REAL has eight bytes. PostgreSQL does so only if told to.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import REAL, Double, LargeBinary, String
from sqlalchemy.types import TypeEngine, UserDefinedType

__all__ = ["BYTES", "NUMBER", "TEXT"]


class Blob(UserDefinedType[bytes]):
    """Bytes, passed on as they are: SQLAlchemy's own type fails where damage has made them text."""

    cache_ok = True

    def get_col_spec(self, **_: Any) -> str:
        return "BLOB"


TEXT: TypeEngine[str] = String().with_variant(String(collation="C"), "postgresql")
NUMBER: TypeEngine[float] = REAL().with_variant(Double(), "postgresql")
BYTES: TypeEngine[bytes] = Blob().with_variant(LargeBinary(), "postgresql")
