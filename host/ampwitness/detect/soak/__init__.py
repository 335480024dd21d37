"""Hours and days: levels in tiers, and drift at constant drive."""
