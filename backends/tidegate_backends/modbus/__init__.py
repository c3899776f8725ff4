"""What a Modbus relay needs beside its frames: the links, and the unit's own timer."""
