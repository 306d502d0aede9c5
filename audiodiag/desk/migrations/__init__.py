"""The steps by which a desk's database grows, oldest first; each is one file in ``versions``."""
