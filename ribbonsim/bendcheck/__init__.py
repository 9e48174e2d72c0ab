"""The bend check: measures, findings, remedies that were tried, a verdict, comparison."""
