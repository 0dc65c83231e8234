"""Telling people of notices: who is told by the configuration, the document that is sent, webhooks and commands."""
