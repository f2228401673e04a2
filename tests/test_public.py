"""What a notebook reaches by ``import yieldkit as yk``."""

import pytest

import yieldkit as yk


@pytest.mark.parametrize("name", yk.__all__)
def test_every_public_name_is_there_and_says_what_it_is(name):
    assert getattr(yk, name)
    assert name in dir(yk)
    if callable(getattr(yk, name)):
        assert getattr(yk, name).__doc__


def test_an_unknown_name_is_an_ordinary_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        yk.nothing  # noqa: B018
