/* Functions of each kind of argument list, for tests/test_published_conventions.py.
 *
 * Build:  sdcc -mz80 --debug --no-std-crt0 --code-loc 0x0000 --data-loc 0x8000 functions.c
 */
typedef unsigned char u8;
typedef unsigned int u16;
typedef unsigned long u32;

void idle(void)
{
    for (;;)
        ;
}

u8 bytes(u8 a, u8 b, u8 c) { return (u8)(a * 3 + b * 5 + c); }
u16 byte_word(u8 a, u16 b) { return b - a; }
u16 word_byte(u16 a, u8 b) { return a - b; }
u16 words(u16 a, u16 b, u16 c) { return a * 2 + b * 3 - c; }
u32 long_byte(u32 a, u8 b) { return a - b; }
u16 word_long(u16 a, u32 b) { return (u16)(b >> 16) - a; }
u8 old_bytes(u8 a, u8 b) __sdcccall(0) { return a - b; }
u32 old_long(u16 a, u32 b) __sdcccall(0) { return b + a; }
