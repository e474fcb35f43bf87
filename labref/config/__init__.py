"""The lab file: one versioned TOML text that says what the lab is."""
