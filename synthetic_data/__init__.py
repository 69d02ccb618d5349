"""An invented scenario with known truth: one workshop, two fleets and walk-in customers, six years of messy exports."""
