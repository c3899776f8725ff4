"""What a HID relay board needs beside its reports: the device, and how it is found."""
