"""What the program must survive: kills at random moments, full disks, many people at once. Run by `make soak`; a small
part of it by tests/test_faults.py and tests/test_load.py."""
