"""The examples in the docstrings run and give what they say."""

import doctest
import importlib
import pkgutil

import lynchet.algorithms
import pytest

MODULES = [
    module.name
    for module in pkgutil.walk_packages(lynchet.algorithms.__path__, "lynchet.algorithms.")
]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    assert doctest.testmod(importlib.import_module(name)).failed == 0
