"""Adapters -> frames -> pieces on the disk, and a diagnosis of them while they grow.

adapters.py  what the PC can record on, and what stands in the way
capture.py   frames from an adapter, through scapy; sends nothing
pieces.py    frames -> files of bounded size, whole at any moment
running.py   the recording as it goes on
"""
