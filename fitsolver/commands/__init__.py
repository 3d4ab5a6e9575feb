"""Commands: one module a command; each reads its words, asks the library once, and tells."""
