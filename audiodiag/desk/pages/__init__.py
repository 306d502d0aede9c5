"""The pages: what owner, technician and advisor see, and what happens when they send something."""
