"""A folder of sheets and study.toml, opened as one object."""
