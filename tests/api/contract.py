"""The contract: every address, method and status of the API; `python -m tests.api.contract` writes it."""

import json
import os
from pathlib import Path
from typing import Any

CONTRACT = Path(__file__).parent / "contract.json"
METHODS = ("get", "put", "post", "delete", "patch")


def contract_of(schema: dict[str, Any]) -> dict[str, list[str]]:
    """Return the statuses of every operation, by method and address."""
    return {
        f"{method.upper()} {path}": sorted(operation["responses"])
        for path, item in sorted(schema["paths"].items())
        for method, operation in sorted(item.items())
        if method in METHODS
    }


def main() -> None:
    """Write the contract of the schema as it is."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from drf_spectacular.generators import SchemaGenerator

    schema = SchemaGenerator().get_schema(request=None, public=True)
    lines = [f"{json.dumps(key)}: {json.dumps(statuses)}" for key, statuses in contract_of(schema).items()]
    CONTRACT.write_text("{\n" + ",\n".join(lines) + "\n}\n")


if __name__ == "__main__":
    main()
