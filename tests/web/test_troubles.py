"""What is not well stands on every page, in one place, and goes when it is well."""

from __future__ import annotations

import pytest


@pytest.mark.parametrize("path", ["/", "/rooms/hall", "/incidents", "/connections"])
def test_every_page_says_what_is_not_well(client, services, path):
    """A sentence each, the worst first, marked when the daemon cannot do its job; nothing when all is well."""
    assert 'class="troubles' not in client.get(path).text
    services.troubles.append("The disk is full <b>.")
    text = client.get(path).text
    assert '<ul class="troubles"' in text
    assert "<li>The disk is full &lt;b&gt;.</li>" in text
    services.failing = True
    assert '<ul class="troubles failing"' in client.get(path).text


def test_many_troubles_are_cut_with_word_of_it(client, services):
    """Four at most, and how many more there are."""
    services.troubles.extend(f"Trouble {number}." for number in range(7))
    text = client.get("/").text
    assert text.count("<li>Trouble ") == 4
    assert "3 more: see /health." in text


def test_whose_times_they_are_is_said(client, services):
    """The foot of a site's page speaks of the site."""
    assert "Times are the site&#39;s own." in client.get("/").text
