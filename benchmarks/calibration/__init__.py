"""Calibration: thousands of campaigns of chips whose lives are known, and how often each bound covers the truth.

The truth is none of the claims' doing (``truth``). What a campaign keeps of it goes to ``monitor.claims`` together with
the conditions, as in the real line (``bounds``), and each topic makes rows of it; a few campaigns go through the real
line altogether (``end_to_end``). ``groups`` names the topics, ``table`` judges the rows and sets them out.
"""
