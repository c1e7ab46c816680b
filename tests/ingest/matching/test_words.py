import pytest

from ingest.matching.words import concepts_in


@pytest.mark.parametrize(
    ("heading", "meant"),
    [("Steig. vorher", {"slope", "before"}), ("Messer", {"meter"}), ("Techn.", {"technician"})],
)
def test_shortened_words_mean_what_the_whole_ones_do(heading, meant):
    assert meant <= concepts_in(heading)


def test_a_word_that_is_none_means_nothing():
    assert concepts_in("zzzz") == set()
