"""Every number a user may want to change, as TOML with a comment and a unit each, and the reader that checks it."""
