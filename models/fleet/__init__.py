"""How far off is every device on every day, and how sure is that?

design                   the observations, and the effects that each carries
inference                hyperparameters, effects and predictions from them
alarms                   what happened that nobody wrote down
fitting                  fit all that is known, or rebuild a stored fit
result                   the fitted fleet: what can be asked of it
forecast                 all meters at many horizons at once
drift                    each meter's ageing rate
temperature_coefficient  each meter's temperature coefficient
adjusted_observations    the gain error that each observation shows by itself
variance_components      where the spread comes from
added_effects            further effects beside everything in the model
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
