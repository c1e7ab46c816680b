"""What is known of each meter: who it is, what was set, done and ridden?

fleet_roster     the meters of a day, and who rides them
fleet_records    the evaluated records up to a day
slopes           every change of the programmed slope
slope_dates      unrecorded changes that an event dates
setting_changes  known changes of the gain error by settings and events
step_candidates  what was done to a meter that may have moved its sensor
zeros            jumps of the zero
ride_effects     what comparisons show and the bench does not
fleet_input      all of it as the fleet model takes it
frames           rows of a frame as typed dictionaries
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
