"""The desk: one local page on which owner, technician and advisor do their whole work.

Its libraries are optional (``pip install audiodiag[desk]``), so nothing of this room is loaded by others but
the command ``desk``.
"""
