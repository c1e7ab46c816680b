"""How is something done here?"""
