"""Season: who goes to the bench in which week, against the races."""
