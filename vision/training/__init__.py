"""How the two small networks were trained: needs torch and rendered scenes, and is no part of the installed package."""
