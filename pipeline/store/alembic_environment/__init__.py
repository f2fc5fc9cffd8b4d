"""How Alembic runs the revisions of a database: in the transaction that `pipeline.store.schema_versions` began."""
