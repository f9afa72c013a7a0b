; The sector numbers of a track as they pass the head: every second place.
        .global order
        .text
order:  .byte 1,10,2,11,3,12,4,13,5,14,6,15,7,16,8,17,9,18
