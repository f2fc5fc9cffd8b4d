"""Run by Alembic for each upgrade, in the transaction that `pipeline.store.schema_versions` began.

Its folder is no package: nothing else can import this module.
"""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()
