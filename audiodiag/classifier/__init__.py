"""From measurements to probabilities: families compared, calibrated, stored as plain numbers, and trained."""
