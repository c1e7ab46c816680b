"""How large are the effects and their spreads, and how sure is that?

hyper               the hyperparameters and their priors
covariance          the blocks' covariance and its derivatives
shared_prior        the shared effects' prior and its derivatives
likelihood          marginal likelihood, gradient, average information
estimation          the search for the hyperparameters
robust_weights      observations weighted by a mixture of noises
innovations         each observation against what was to be expected
effect_estimates    the size of each accepted effect
reset_localisation  when unrecorded resets happened
battery_swaps       how many swaps are to come
predict             gain errors at any instant
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
