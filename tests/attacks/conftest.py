"""The team, its accounts and its service, as the dashboard's tests have them."""

from tests.dashboard.conftest import (  # noqa: F401
    cheap_hashes,
    fitted_people_store,
    followed,
    nobody_stands_back,
    nothing_ahead,
    people_service,
    people_store,
)
