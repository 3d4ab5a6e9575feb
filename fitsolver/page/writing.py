"""Temporary."""
from __future__ import annotations
from typing import Any
import tomlkit


def written(data: dict[str, Any], text: str) -> str:
    doc = tomlkit.parse(text) if text else tomlkit.document()

    def merge(table: Any, values: dict[str, Any]) -> None:
        for key in [key for key in table if key not in values]:
            del table[key]
        for key, value in values.items():
            old = table.get(key)
            if isinstance(value, dict) and isinstance(old, dict) and key in ("seat", "instruments", "allowances"):
                merge(old, value)
            elif key not in table or old != value:
                if isinstance(value, dict) and key not in ("seat", "instruments", "allowances"):
                    inline = tomlkit.inline_table()
                    inline.update(value)
                    table[key] = inline
                else:
                    table[key] = value

    merge(doc, data)
    return tomlkit.dumps(doc)
