/* main.c - water level and gate of a mill sluice.
 *
 *   gauge   takes a level every 40 ms and posts it
 *   report  averages four of them and moves the gate, one line each, twelve lines
 *   shell   gate N, status, help
 */
#include "sio.h"
#include "tasks.h"

__sfr __at 0xB2 CTC2;
__sfr __at 0xB0 CTC0;

#define LOW      180
#define HIGH     260
#define LINES    12
#define NSAMPLES 8

static uint16_t samples[NSAMPLES];
static volatile uint8_t s_in, s_out;
static struct sem have_sample = { 0 };
static struct sem console = { 1 };

static volatile uint8_t gate = 2;
static volatile uint8_t held;           /* by hand */
static uint16_t level = 200;
static uint16_t noise = 0xACE1;
static char line[24];

static void gauge(void)
{
    uint8_t next, out;

    for (;;) {
        noise = (noise >> 1) ^ ((noise & 1) ? 0xB400 : 0);
        level += noise & 31;
        out = 4 + gate * 5;
        level = level > out ? level - out : 0;
        next = (s_in + 1) & (NSAMPLES - 1);
        if (next != s_out) {            /* nobody looks: drop it */
            samples[s_in] = level;
            s_in = next;
            sem_post(&have_sample);
        }
        task_sleep(4);
    }
}

static uint16_t take(void)
{
    uint16_t v;

    sem_wait(&have_sample);
    v = samples[s_out];
    s_out = (s_out + 1) & (NSAMPLES - 1);
    return v;
}

static void report(void)
{
    uint16_t mean;
    uint8_t n = 0;

    for (;;) {
        mean = (take() + take() + take() + take()) / 4;
        if (!held) {
            if (mean > HIGH && gate < 4)
                gate++;
            else if (mean < LOW && gate > 0)
                gate--;
        }
        if (n == LINES)
            continue;
        n++;
        sem_wait(&console);
        puts_("level ");
        putdec(mean, 3);
        puts_(" cm, gate ");
        putdec(gate, 1);
        puts_("\r\n");
        if (n == LINES)
            puts_("end of report\r\n");
        sem_post(&console);
    }
}

/* Take the rest of a line whose first character is there already. */
static void read_line(char c)
{
    uint8_t n = 0;

    while (c != '\r') {
        if (c == 8 && n) {
            n--;
            puts_("\b \b");
        } else if (c >= ' ' && n < sizeof line - 1) {
            line[n++] = c;
            putch(c);
        }
        c = getch();
    }
    line[n] = 0;
    puts_("\r\n");
}

static uint8_t starts(const char *word)
{
    const char *p = line;

    while (*word)
        if (*p++ != *word++)
            return 0;
    return 1;
}

static void do_status(void)
{
    puts_("gate at ");
    putdec(gate, 1);
    puts_(held ? ", by hand" : ", by itself");
    puts_(rx_lost ? ", characters lost\r\n" : ", line good\r\n");
}

static void do_gate(void)
{
    if (line[5] >= '0' && line[5] <= '4') {
        gate = line[5] - '0';
        held = 1;
        puts_("moved\r\n");
    } else
        puts_("gate 0 to 4\r\n");
}

static void shell(void)
{
    sem_wait(&console);
    puts_("\r\nSluice 3, type help\r\n");
    sem_post(&console);
    for (;;) {
        char c = getch();           /* the console stays free until somebody types */

        sem_wait(&console);
        puts_("> ");
        read_line(c);
        if (starts("gate "))
            do_gate();
        else if (starts("status"))
            do_status();
        else if (line[0])
            puts_("gate N, status\r\n");
        sem_post(&console);
    }
}

static void idle(void)
{
    for (;;)
        __asm__("halt");
}

void main(void)
{
    sio_init();
    CTC0 = 0x00;            /* vector */
    CTC2 = 0xA7;            /* timer, / 256, interrupt, constant follows */
    CTC2 = 200;             /* 5.12 MHz / 256 / 200 = 100 Hz */
    task_create(0, gauge);
    task_create(1, report);
    task_create(2, shell);
    task_create(NTASKS - 1, idle);
    tasks_run();
}
