"""What reading a device over adb needs: the program, turns, patience, search."""
