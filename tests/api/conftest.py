"""People who talk to the API, each with a token of their own."""

import pytest

from tests.api.client import Api
from tests.factories.world import World


@pytest.fixture
def api(world: World) -> Api:
    """The API of the company: `api.as_(world.office)` asks as the office."""
    return Api(world)
