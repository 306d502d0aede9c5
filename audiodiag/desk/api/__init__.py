"""The desk's programming interface: calls that speak JSON, their description, and their page for people."""
