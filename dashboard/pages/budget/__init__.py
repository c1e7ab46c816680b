"""Budget: what the season costs and why, and what each further visit would buy."""
