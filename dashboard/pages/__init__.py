"""Which pages are there?

A room a page; `dashboard.navigation` finds each by the PATH that its module names.
"""
