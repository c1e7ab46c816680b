"""How recordings are read and compared: speed, damage, whole rides."""
