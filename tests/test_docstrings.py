"""Run the examples in the docstrings of the library."""

import doctest
import pkgutil
from importlib import import_module

import pytest

import carrierfloor.dsp
import carrierfloor.presets

# By import, not by file: pytest's own collector would load each file under a second name.
MODULES = [
    *(
        f"carrierfloor.dsp.{module.name}"
        for module in pkgutil.iter_modules(carrierfloor.dsp.__path__)
    ),
    "carrierfloor.presets",
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_docstrings(name: str) -> None:
    failed, _ = doctest.testmod(import_module(name), optionflags=doctest.ELLIPSIS)
    assert failed == 0


@pytest.mark.parametrize("name", MODULES)
def test_module_says_what_it_is_for(name: str) -> None:
    assert import_module(name).__doc__


def test_there_are_examples() -> None:
    """The chain's own docstring shows how it is used."""
    finder = doctest.DocTestFinder()
    found = finder.find(import_module("carrierfloor.dsp.chain"))
    assert any(test.examples for test in found)
