/* RAIN.C - a tipping-bucket rain gauge, logged to floppy.
 *
 * A record is a sector: 'R', number, tips in each of 120 half minutes, and a check sum in the
 * last two bytes. Records lie on sectors 1 to 9 of cylinder 3 and on.
 */
#include "rain.h"

#define FIRST_CYLINDER 3
#define RECORDS        4
#define SLOTS          120

struct Record {
    BYTE mark;
    BYTE number;
    BYTE tips[SLOTS];
    BYTE unused[SECTOR_SIZE - SLOTS - 4];
    WORD sum;
};

static struct Record record;
static struct Record copy;
static WORD weather = 4711;

/* The bucket: showers come and go. */
static BYTE Tips(void)
{
    weather = weather * 25173 + 13849;
    return (weather >> 13) > 4 ? (weather >> 8) & 7 : 0;
}

static WORD SumOf(const struct Record *r)
{
    const BYTE *p = (const BYTE *)r;
    WORD sum = 0x1234;
    WORD n;

    for (n = 0; n < SECTOR_SIZE - 2; n++)
        sum = (sum << 1 | sum >> 15) + *p++;
    return sum;
}

static WORD Fill(BYTE number)
{
    BYTE slot;
    WORD total = 0;

    record.mark = 'R';
    record.number = number;
    for (slot = 0; slot < SLOTS; slot++) {
        record.tips[slot] = Tips();
        total += record.tips[slot];
    }
    record.sum = SumOf(&record);
    return total;
}

static BYTE CylinderOf(BYTE number)
{
    return FIRST_CYLINDER + number / 2;
}

static BYTE SectorOf(BYTE number)
{
    return 1 + (number % 2) * 4;
}

static void Stop(const char *what, BYTE error)
{
    BYTE n;

    ConText(what);
    ConText(" failed, error ");
    ConNumber(error);
    ConText(", result");
    for (n = 0; n < 3; n++) {
        ConPut(' ');
        ConHex(FdcResult[n]);
    }
    ConText("\nlogging stopped\n");
    FdcStop();
    for (;;)
        ;
}

static void Show(BYTE number)
{
    BYTE slot;
    WORD total = 0;
    BYTE error = FdcReadSector(CylinderOf(number), SectorOf(number), (BYTE *)&copy);

    if (error)
        Stop("reading", error);
    ConText("record ");
    ConNumber(number);
    if (copy.mark != 'R' || copy.number != number || copy.sum != SumOf(&copy)) {
        ConText(" is damaged\n");
        return;
    }
    for (slot = 0; slot < SLOTS; slot++)
        total += copy.tips[slot];
    ConText(" holds ");
    ConNumber(total);
    ConText(" tips\n");
}

void main(void)
{
    BYTE number, error;
    char key;

    ConInit();
    ConText("\nRain logger\n");
    error = FdcStart();
    if (error)
        Stop("drive", error);
    for (number = 0; number < RECORDS; number++) {
        ConText("writing ");
        ConNumber(number);
        ConText(": ");
        ConNumber(Fill(number));
        ConText(" tips\n");
        error = FdcWriteSector(CylinderOf(number), SectorOf(number), (BYTE *)&record);
        if (error)
            Stop("writing", error);
    }
    for (number = 0; number < RECORDS; number++)
        Show(number);
    for (;;) {
        ConText("record 0-3? ");
        key = ConGet();
        ConPut(key);
        ConText("\n");
        if (key >= '0' && key < '0' + RECORDS) {
            Show(key - '0');
            ConText("that was record ");
            ConPut(key);
            ConText("\n");
        } else
            ConText("no such record\n");
    }
}
