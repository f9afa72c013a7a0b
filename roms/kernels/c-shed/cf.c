/* cf.c: CompactFlash in true IDE mode on eight data lines, read only. */
#include "shed.h"

__sfr __at 0xE0 CF_DATA;
__sfr __at 0xE1 CF_FEATURE;     /* error when read */
__sfr __at 0xE2 CF_COUNT;
__sfr __at 0xE3 CF_LBA0;
__sfr __at 0xE4 CF_LBA1;
__sfr __at 0xE5 CF_LBA2;
__sfr __at 0xE6 CF_HEAD;
__sfr __at 0xE7 CF_COMMAND;     /* status when read */

#define BSY 0x80
#define RDY 0x40
#define DRQ 0x08
#define ERR 0x01

#define SET_FEATURES 0xEF
#define IDENTIFY     0xEC
#define READ         0x20

#define E_BUSY   1
#define E_REFUSE 2
#define E_NODATA 3

static u8 idle(void)
{
    u16 patience = 0;

    while (CF_COMMAND & BSY)
        if (++patience == 60000)
            return E_BUSY;
    return 0;
}

static u8 issue(u8 command)
{
    u8 e = idle();

    if (e)
        return e;
    CF_COMMAND = command;
    e = idle();
    if (e)
        return e;
    return CF_COMMAND & ERR ? E_REFUSE : 0;
}

static u8 fetch(u8 *to)
{
    u16 n;

    if (!(CF_COMMAND & DRQ))
        return E_NODATA;
    for (n = 0; n < 512; n++)
        *to++ = CF_DATA;
    return 0;
}

u8 cf_open(void)
{
    u8 e = idle();

    if (e)
        return e;
    CF_HEAD = 0xE0;
    CF_FEATURE = 0x01;          /* eight bits, please */
    return issue(SET_FEATURES);
}

u8 cf_read(u16 number, u8 *to)
{
    u8 e = idle();

    if (e)
        return e;
    CF_HEAD = 0xE0;             /* LBA, drive 0 */
    CF_LBA2 = 0;
    CF_LBA1 = number >> 8;
    CF_LBA0 = number;
    CF_COUNT = 1;
    e = issue(READ);
    return e ? e : fetch(to);
}

const char *cf_error(u8 error)
{
    static const char *const words[] = { "fine", "busy for ever", "refused", "no data" };

    return words[error];
}
