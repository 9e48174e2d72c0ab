"""Pictures for others: turntables, contact sheets."""
