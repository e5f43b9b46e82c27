"""Fixtures of the ledger's tests."""

from tests.ledger.tampering import brief, life

__all__ = ["brief", "life"]
