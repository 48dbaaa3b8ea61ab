"""Sentences and figures as people read them, on sheets and in reports."""
