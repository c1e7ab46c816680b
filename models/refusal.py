"""The one exception of the models whose text is written for a user."""


class NothingToSayError(Exception):
    """The question has no answer in these data; the text says why and what to do."""
