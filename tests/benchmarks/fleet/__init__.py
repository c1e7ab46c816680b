"""How exact, how sure and how fast the fleet model is."""
