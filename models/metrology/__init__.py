"""How sure is one measured number?

arrays               the array types of every signature
conversions          100·ln to plain percent and back, with sds and 90 % intervals
time_scale           instants and calendar days as years, and back
expected_torque      what a meter without error shows, and what a limit allows
masses, gravity      what hangs on the crank, and how hard it pulls
uncertainty          the budget of one result (GUM)
conformity           within tolerance or not
resolution           the step of a display, read from its digits
linearity            how straight a meter is over its loads
errors_in_variables  a gain or line where both sides carry errors
spread               limits of agreement, robust standard deviation
proportions          shares and their intervals
equivalence          who differs from the reference value of a comparison
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
