"""Tests; a package so that they can share the reference code in tests/reference."""
