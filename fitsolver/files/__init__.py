"""Files: TOML read strictly, every fault at once, every write whole or not at all."""
