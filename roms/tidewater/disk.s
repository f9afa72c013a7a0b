; The ROM disk as the build packed it from files/, see romdisk.py.

        .section .romdisk, "a"
        .incbin "romdisk.bin"
