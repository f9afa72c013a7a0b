/* sio.c - rings between the tasks and the SIO's interrupts */
#include "sio.h"
#include "tasks.h"

__sfr __at 0xA4 SIO_A_DATA;
__sfr __at 0xA5 SIO_A_CTRL;
__sfr __at 0xA6 SIO_B_DATA;
__sfr __at 0xA7 SIO_B_CTRL;

#define RX_SIZE 16
#define TX_SIZE 32

static uint8_t rx_buf[RX_SIZE], tx_buf[TX_SIZE];
static volatile uint8_t rx_in, rx_out, tx_in, tx_out;
static volatile uint8_t tx_busy;
volatile uint8_t rx_lost;

static struct sem rx_full = { 0 };
static struct sem tx_room = { TX_SIZE - 1 };

static const uint8_t setup_a[] = {
    0x18,               /* channel reset */
    4, 0x44,            /* x16, one stop bit, no parity */
    3, 0xC1,            /* 8 bits, receiver on */
    5, 0xEA,            /* DTR, RTS, 8 bits, transmitter on */
    1, 0x12,            /* interrupt on every character and on an empty transmitter */
};
static const uint8_t setup_b[] = {
    0x18,
    2, 0x10,            /* vector */
    1, 0x04,            /* status affects vector */
};

void sio_init(void)
{
    uint8_t i;

    for (i = 0; i < sizeof setup_b; i++)
        SIO_B_CTRL = setup_b[i];
    for (i = 0; i < sizeof setup_a; i++)
        SIO_A_CTRL = setup_a[i];
}

void rx_isr(void) __critical __interrupt(0)
{
    uint8_t c = SIO_A_DATA;
    uint8_t next = (rx_in + 1) & (RX_SIZE - 1);

    if (next == rx_out) {
        rx_lost++;
        return;
    }
    rx_buf[rx_in] = c;
    rx_in = next;
    sem_post_isr(&rx_full);
}

void tx_isr(void) __critical __interrupt(1)
{
    if (tx_in == tx_out) {
        SIO_A_CTRL = 0x28;      /* nothing more to send */
        tx_busy = 0;
        return;
    }
    SIO_A_DATA = tx_buf[tx_out];
    tx_out = (tx_out + 1) & (TX_SIZE - 1);
    sem_post_isr(&tx_room);
}

void ext_isr(void) __critical __interrupt(2)
{
    SIO_A_CTRL = 0x10;          /* reset external/status */
}

void err_isr(void) __critical __interrupt(3)
{
    uint8_t c = SIO_A_DATA;

    SIO_A_CTRL = 0x30;          /* error reset */
    rx_lost += c ? 1 : 0;
}

void putch(char c)
{
    sem_wait(&tx_room);
    DI();
    if (!tx_busy) {
        tx_busy = 1;
        SIO_A_DATA = c;
        sem_post_isr(&tx_room);
    } else {
        tx_buf[tx_in] = c;
        tx_in = (tx_in + 1) & (TX_SIZE - 1);
    }
    EI();
}

char getch(void)
{
    char c;

    sem_wait(&rx_full);
    c = rx_buf[rx_out];
    rx_out = (rx_out + 1) & (RX_SIZE - 1);
    return c;
}

void puts_(const char *s)
{
    while (*s)
        putch(*s++);
}

void putdec(uint16_t n, uint8_t width)
{
    char digits[5];
    uint8_t i = 0;

    do {
        digits[i++] = '0' + n % 10;
        n /= 10;
    } while (n || i < width);
    while (i)
        putch(digits[--i]);
}
