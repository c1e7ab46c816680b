"""How does each group of meters age, and which meters age unlike the others?"""
