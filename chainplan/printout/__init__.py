"""A plan's results as one self-contained page for print: HTML text, and a PDF of it.

Everything here is pure: a plan with its evaluation goes in, text comes out; the same in, the same out.
"""
