; words.s - every text, in the second page of the flash
        .section .words,"a"
        .globl  w_hello, w_yard, w_home, w_page, w_colon, w_sum, w_lines, w_tags
        .globl  w_weave, w_keel, w_walker, w_true, w_bent, w_at, w_want, w_have
        .globl  w_good, w_poor, w_end

w_hello:        .asciz  "\r\nPLUMBLINE 3 - is the RAM straight?\r\n"
w_yard:         .asciz  "The yard at FE00 is bad; nothing more can be tried.\r\n"
w_home:         .asciz  "home page 33:"
w_page:         .asciz  "page "
w_colon:        .asciz  ":"
w_lines:        .asciz  " lines"
w_weave:        .asciz  " weave"
w_keel:         .asciz  " keel"
w_walker:       .asciz  " walker"
w_sum:          .asciz  " sum "
w_tags:         .asciz  "tags"
w_true:         .asciz  " - true\r\n"
w_bent:         .asciz  " - BENT\r\n"
w_at:           .asciz  "\r\n  at "
w_want:         .asciz  " laid "
w_have:         .asciz  " found "
w_good:         .asciz  "All plumb. Faults: "
w_poor:         .asciz  "Out of true! Faults: "
w_end:          .asciz  ". Switch off.\r\n"
