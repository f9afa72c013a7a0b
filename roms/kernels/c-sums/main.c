/* A bench of sums for a new board: what comes out is known beforehand. */
#include "jobs.h"
#include "uart.h"

#define CRYSTAL 2457600UL
#define BAUD    38400UL

struct job {
    const char *name;
    job_fn run;
    uint32_t expected;
};

static const struct job jobs[] = {
    { "primes below 6000", primes, 783 },
    { "crc-16 by bits", crc16, 0x29B1 },
    { "crc-32 by table", crc32, 0xCBF43926UL },
    { "matrix power", matrix, 31151 },
    { "hailstones", hailstones, 170 },
    { "queens on six by six", queens, 4 },
};

static uint8_t done;
static uint8_t failures;

static void perform(const struct job *j)
{
    uint32_t answer;

    uart_text(j->name);
    uart_text(": ");
    answer = j->run();
    uart_dec(answer);
    if (answer == j->expected) {
        uart_text(", good\n");
    } else {
        uart_text(", should be ");
        uart_dec(j->expected);
        uart_text("\n");
        ++failures;
    }
    ++done;
}

static void verdict(void)
{
    uart_dec(done);
    uart_text(" sums, ");
    if (failures) {
        uart_dec(failures);
        uart_text(" wrong. This board is not to be trusted.\n");
    } else {
        uart_text("none wrong. Bench over.\n");
    }
}

void main(void)
{
    uint8_t i;

    uart_init(CRYSTAL / 16 / BAUD);
    uart_text("\nSums bench, 56 KiB RAM\n");
    for (i = 0; i < sizeof jobs / sizeof jobs[0]; ++i)
        perform(&jobs[i]);
    verdict();
    for (;;) {
    }
}
