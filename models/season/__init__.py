"""Who goes to the bench in which week, and what does it prevent?

documents           keys of the plan and of the bench list
season_ask, pins    what is asked: period, slots, what if; meters pinned to weeks
schedule            the plan, from plan_inputs; plan_rows tells it visit by visit
visit_program       the cheapest visits, by column generation
risk                how likely each meter is out of tolerance, with and without a visit
exposure_cost       who rides what, and what a race weighs; visit_prices, bench_slots: the tables'
calendar_file       the plan as iCalendar; week_list: what the mechanic needs in a week
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
