"""Runs that are still being recorded: followed frame by frame, and kept safe against kills and full disks."""
