"""The versions of the store's tables, each as what it changes (`pipeline.store.schema_versions`)."""
