"""Looking ahead: what was known on a day, the captures to expect, and how well that went."""
