"""Tables of text hold their numbers as text, with the decimal sign of where they were written."""

from types import SimpleNamespace

import numpy as np
import pytest

TABLE = SimpleNamespace(name="table")


def numbers(*words):
    from lynchet.plugin.readings_layer import numbers_of

    return numbers_of(np.array(words, object), TABLE, "x")


def test_numbers_may_have_decimal_commas_and_an_empty_cell_is_none(qgis_app):
    found = numbers("412345,219", "412365.25", "-17,25", " 3", "", None)
    np.testing.assert_array_equal(found, [412345.219, 412365.25, -17.25, 3, np.nan, np.nan])


@pytest.mark.parametrize("word", ["1,234,567", "1,2.5", "5,", ",5", "x"])
def test_a_comma_that_may_be_no_decimal_sign_is_refused(qgis_app, word):
    with pytest.raises(ValueError, match=rf"Feature 2 of layer 'table': field 'x' is '{word}'"):
        numbers("1,5", word)
