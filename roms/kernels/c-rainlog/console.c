/* CONSOLE.C - 6850 ACIA, polled, 9600 8N1 */
#include "rain.h"

__sfr __at 0xD8 AciaControl;    /* status when read */
__sfr __at 0xD9 AciaData;

#define RDRF  0x01
#define TDRE  0x02

void ConInit(void)
{
    AciaControl = 0x03;         /* master reset */
    AciaControl = 0x15;         /* clock / 16, 8N1, RTS low, no interrupts */
}

void ConPut(char ch)
{
    while (!(AciaControl & TDRE))
        ;
    AciaData = ch;
}

char ConGet(void)
{
    while (!(AciaControl & RDRF))
        ;
    return AciaData & 0x7F;
}

void ConText(const char *text)
{
    while (*text) {
        if (*text == '\n')
            ConPut('\r');
        ConPut(*text++);
    }
}

void ConNumber(WORD value)
{
    if (value > 9)
        ConNumber(value / 10);
    ConPut('0' + value % 10);
}

void ConHex(BYTE value)
{
    static const char digit[] = "0123456789ABCDEF";

    ConPut(digit[value >> 4]);
    ConPut(digit[value & 15]);
}
