"""The sheets that come with the package: `<name>.toml`, and beside each what was computed from its circuit."""
