"""Engine speed: entered, from a table, from a pulse channel, or by ear; each with its confidence."""
