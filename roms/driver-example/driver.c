/* A driver for the tide gauge's serial line: the example of docs/testing.md.
 *
 * Build:  sdcc -mz80 --debug --no-std-crt0 --code-loc 0x0100 --data-loc 0x8100 \
 *              start.rel driver.c -o driver.ihx
 */
typedef unsigned char u8;
typedef unsigned int u16;

__sfr __at 0x30 control; /* 6850-type ACIA */
__sfr __at 0x31 data;

u16 level; /* the last level measured, in millimetres */

void port_open(void)
{
    control = 0x03; /* master reset */
    control = 0x15; /* clock / 16, 8N1, no interrupts */
}

void put(u8 c)
{
    while (!(control & 0x02))
        ;
    data = c;
}

/* Check byte of a telegram: the sum of its bytes, carried around. */
u8 check_byte(const u8 *telegram, u8 count)
{
    u16 sum = 0;
    while (count--) {
        sum += *telegram++;
        if (sum > 0xFF)
            sum -= 0xFF;
    }
    return (u8)sum;
}

/* Take a telegram of two bytes, low byte first, and its check byte; 1 when it is good. */
u8 take(const u8 *telegram)
{
    if (check_byte(telegram, 2) != telegram[2])
        return 0;
    level = telegram[0] | (u16)telegram[1] << 8;
    return 1;
}

void put_decimal(u16 value)
{
    if (value >= 10)
        put_decimal(value / 10);
    put('0' + value % 10);
}

void main(void)
{
    port_open();
    put_decimal(level);
    put('>');
    for (;;)
        ;
}
