/* 16550 at 18h, polled, output only. */
#include "uart.h"

__sfr __at 0x18 uart_data;      /* divisor low while DLAB is set */
__sfr __at 0x19 uart_ier;       /* divisor high while DLAB is set */
__sfr __at 0x1A uart_fcr;
__sfr __at 0x1B uart_lcr;
__sfr __at 0x1C uart_mcr;
__sfr __at 0x1D uart_lsr;

enum {
    LCR_8N1 = 0x03,
    LCR_DLAB = 0x80,
    FCR_ON_CLEAR = 0x07,
    MCR_DTR_RTS = 0x03,
    LSR_THRE = 0x20,
    FIFO_DEPTH = 16,
};

static uint8_t fifo_room;

void uart_init(uint16_t divisor)
{
    uart_ier = 0;
    uart_lcr = LCR_8N1 | LCR_DLAB;
    uart_data = divisor & 0xFF;
    uart_ier = divisor >> 8;
    uart_lcr = LCR_8N1;
    uart_fcr = FCR_ON_CLEAR;
    uart_mcr = MCR_DTR_RTS;
    fifo_room = 0;
}

/* THRE tells that the whole FIFO is empty: sixteen characters may go before we look again. */
void uart_char(char c)
{
    if (fifo_room == 0) {
        while ((uart_lsr & LSR_THRE) == 0) {
        }
        fifo_room = FIFO_DEPTH;
    }
    --fifo_room;
    uart_data = c;
}

void uart_text(const char *s)
{
    for (; *s != '\0'; ++s) {
        if (*s == '\n')
            uart_char('\r');
        uart_char(*s);
    }
}

void uart_dec(uint32_t value)
{
    char text[10];
    uint8_t n = 0;

    do {
        text[n++] = '0' + (uint8_t)(value % 10);
        value /= 10;
    } while (value != 0);
    while (n != 0)
        uart_char(text[--n]);
}
