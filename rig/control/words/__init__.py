"""The types and terms that a fill is described in: readings, settings, states, requests, prompts."""
