"""The versions of the people's file, each as what it changes (`pipeline.store.schema_versions`)."""
