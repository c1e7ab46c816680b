"""Which effects does each observation carry?

data               the frames that the model takes
settings           priors and other assumptions
observations       all sessions and comparisons in one flat order
effects            what alarms have put into the model
ride_effects       what comparisons show and the bench does not
programmed         the programmed slope at any instant
cumulative_events  what has happened to a device by an instant
shared             priors of the effects that several meters share
layout             those effects as columns, and where they enter
blocks             each meter's own observations, gathered in batches
preparation        the steps from frames to a design
arrays             grouping rows, reverse cumulative sums
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
