; Jumps through a pointer in RAM that only the second boot stage would have set.
        .text
start:  ld sp, 0
        ld hl, (hook)
        jp (hl)
        .bss
        .ds 0x100
hook:   .ds 2
