"""Results made visible: terminal screens and plots. Takes results, computes and prints nothing.

Every function here returns something that `rich` can render, a figure, or plain values for JSON.
"""
