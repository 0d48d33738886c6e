"""Tests of the library; a package so that they can share helpers."""
